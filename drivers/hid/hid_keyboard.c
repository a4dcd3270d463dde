/* The `hid-keyboard` driver: instruments that type what they show, as a keyboard would.
 *
 * Boot keyboard reports (USB HID 1.11, appendix B.1) become text, and text becomes readings as the
 * `line` driver reads them.  Usages: HID Usage Tables 1.12, page 0x07. */
#include "hid.h"
#include "line/line.h"

#include <ctype.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

enum {
    REPORT_LENGTH = 8,
    MODIFIERS = 0,
    KEYS = 2,
    KEYS_MOST = 6,
    CONTROL_OR_META = 0x99,
    SHIFT = 0x22,
    ALT_LEFT = 0x04,
    ALT_RIGHT = 0x40, /* bits of the modifiers */

    KEY_ROLLOVER = 0x01,
    KEY_A = 0x04,
    KEY_Z = 0x1d,
    KEY_1 = 0x1e,
    KEY_0 = 0x27,
    KEY_ENTER = 0x28,
    KEY_TAB = 0x2b,
    KEY_SPACE = 0x2c,
    KEY_MINUS = 0x2d,
    KEY_SLASH = 0x38,
    KEYPAD_DIVIDE = 0x54,
    KEYPAD_ENTER = 0x58,
    KEYPAD_1 = 0x59,
    KEYPAD_0 = 0x62,
    KEYPAD_DECIMAL = 0x63,
    KEYPAD_EQUAL = 0x67,

    PAGE_KEYS = 0x07,
    SETTINGS_MOST = 32
};

/* What the keys from 0x1e on type, plain and shifted; blank: nothing that stands in a reading. */
struct keyboard_layout {
    const char *name;
    const char *digits_shifted;      /* 1 to 0 */
    const char *rest, *rest_shifted; /* 0x2d to 0x38 */
    char decimal;                    /* of the keypad */
};

static const struct keyboard_layout layouts[] = {
    { "us", "!@#$%^&*()", "-=[]\\ ;'`,./", "_+{}| :\"~<>?", '.' },
    { "de", "!\" $%&/()=", "   +##  ^,.-", "? `*''  \xb0;:_", ',' },
};

struct hid_keyboard {
    struct line line;
    const struct keyboard_layout *layout;
    char keypad_decimal, terminator;
    bool has_ids;
    uint8_t report_id;
    uint8_t before[REPORT_LENGTH]; /* the last report: only what was not in it is new */
    bool alt_code;                 /* digits typed while Alt is held make one character */
    unsigned alt_value;
    char text[LINE_FRAME_MOST];
    size_t length;
    bool overlong;
    bool joined; /* opened while it was typing perhaps */
};

static int set_own(struct hid_keyboard *keyboard, const struct setting *setting, struct why *why)
{
    if (strcmp(setting->key, "keyboard") == 0) {
        for (size_t i = 0; i < sizeof layouts / sizeof *layouts; i++)
            if (strcmp(setting->value, layouts[i].name) == 0) {
                keyboard->layout = &layouts[i];
                return 0;
            }
        return why_set(why, -EINVAL, "line %d: keyboard = %s: the layouts are us and de", setting->line,
                       setting->value);
    }
    if (strcmp(setting->key, "keypad_decimal") == 0) {
        if (strcmp(setting->value, "comma") != 0 && strcmp(setting->value, "point") != 0)
            return why_set(why, -EINVAL, "line %d: keypad_decimal = %s: write comma or point", setting->line,
                           setting->value);
        keyboard->keypad_decimal = setting->value[0] == 'c' ? ',' : '.';
        return 0;
    }
    if (strcmp(setting->key, "ends_with") == 0) {
        if (strcmp(setting->value, "enter") != 0 && strcmp(setting->value, "tab") != 0)
            return why_set(why, -EINVAL, "line %d: ends_with = %s: write enter or tab", setting->line, setting->value);
        keyboard->terminator = setting->value[0] == 't' ? '\t' : '\n';
        return 0;
    }
    return 1; /* not one of ours */
}

static int configure(void *state, const struct instrument_config *config, struct why *why)
{
    struct hid_keyboard *keyboard = state;
    struct instrument_config rest = *config;
    struct setting settings[SETTINGS_MOST];
    int error = 0;

    memset(keyboard, 0, sizeof *keyboard);
    keyboard->layout = &layouts[0];
    keyboard->terminator = '\n';
    keyboard->joined = true;
    rest.driver = "hid-keyboard";
    rest.settings = settings;
    rest.setting_count = 0;
    for (size_t i = 0; i < config->setting_count; i++) {
        error = set_own(keyboard, &config->settings[i], why);
        if (error < 0)
            return error;
        if (error > 0 && rest.setting_count == SETTINGS_MOST)
            return why_set(why, -EINVAL, "line %d: %s has more than %d settings", config->line, config->name,
                           SETTINGS_MOST);
        if (error > 0)
            settings[rest.setting_count++] = config->settings[i];
    }
    if (keyboard->keypad_decimal == '\0')
        keyboard->keypad_decimal = keyboard->layout->decimal;
    error = line_configure(&keyboard->line, &rest, why);
    if (error < 0)
        return error;
    if (keyboard->line.layout != LINE_STX_STATUS && keyboard->line.layout != LINE_STX_LETTER
        && !keyboard->line.seven_bit)
        return 0;
    line_release(&keyboard->line);
    return why_set(why, -EINVAL, "line %d: %s types its readings; layout and seven_bit are for serial lines",
                   config->line, config->name);
}

static void release(void *state)
{
    struct hid_keyboard *keyboard = state;

    line_release(&keyboard->line);
}

static void note_field(void *context, const struct hid_field *field)
{
    struct hid_keyboard *keyboard = context;

    if (field->kind == HID_INPUT && field->usage_count > 0 && field->usages[0] >> 16 == PAGE_KEYS) {
        keyboard->report_id = field->report_id;
        keyboard->has_ids = field->report_id != 0;
    }
}

static int describe(void *state, const uint8_t *descriptor, size_t length, struct why *why)
{
    enum { KEYBOARD = 1 << 16 | 6, KEYPAD = 1 << 16 | 7 };
    uint32_t application = hid_application(descriptor, length);

    if ((application != KEYBOARD && application != KEYPAD) || hid_walk(descriptor, length, note_field, state) < 0)
        return why_set(why, -ENODEV, "the device does not describe itself as a keyboard");
    return 0;
}

static void opened(void *state)
{
    struct hid_keyboard *keyboard = state;

    memset(keyboard->before, 0, sizeof keyboard->before);
    keyboard->length = 0;
    keyboard->overlong = false;
    keyboard->alt_code = false;
    keyboard->joined = true;
}

/* Boot reports have no ID; where SET_PROTOCOL was refused the report protocol may put one in front. */
static const uint8_t *boot_report(const struct hid_keyboard *keyboard, const uint8_t *report, size_t length)
{
    if (length == REPORT_LENGTH)
        return report;
    if (length > REPORT_LENGTH && report[0] == (keyboard->has_ids ? keyboard->report_id : 1))
        return report + 1;
    return NULL;
}

static bool was_down(const struct hid_keyboard *keyboard, uint8_t key)
{
    return memchr(keyboard->before + KEYS, key, KEYS_MOST) != NULL;
}

static bool ends_line(const struct hid_keyboard *keyboard, uint8_t key)
{
    if (keyboard->terminator == '\t')
        return key == KEY_TAB;
    return key == KEY_ENTER || key == KEYPAD_ENTER;
}

/* Does this report press a key, and does one of them end the line? */
static bool presses(const struct hid_keyboard *keyboard, const uint8_t *report, bool *ends)
{
    bool any = false;

    for (int i = KEYS; i < REPORT_LENGTH; i++)
        if (report[i] != 0 && !was_down(keyboard, report[i])) {
            any = true;
            *ends = *ends || ends_line(keyboard, report[i]);
        }
    return any;
}

/* One report.  The last report of a half-typed line waits in the buffer, so that the daemon sees its age. */
static ssize_t frame(void *state, const uint8_t *buf, size_t length)
{
    const struct hid_keyboard *keyboard = state;
    const uint8_t *report;
    bool ends = false, pressed;
    size_t whole;

    if (length == 0 || length <= buf[0])
        return 0;
    whole = 1 + (size_t)buf[0];
    report = boot_report(keyboard, buf + 1, buf[0]);
    if (report == NULL || length > whole)
        return (ssize_t)whole;
    pressed = presses(keyboard, report, &ends);
    return ends || (!pressed && keyboard->length == 0) ? (ssize_t)whole : 0;
}

static char typed(const struct hid_keyboard *keyboard, uint8_t key, bool shift)
{
    char letter;

    if (key >= KEY_A && key <= KEY_Z) {
        letter = (char)('a' + key - KEY_A);
        if (keyboard->layout == &layouts[1] && (letter == 'y' || letter == 'z'))
            letter = letter == 'y' ? 'z' : 'y';
        return shift ? (char)toupper((unsigned char)letter) : letter;
    }
    if (key >= KEY_1 && key <= KEY_0)
        return shift ? keyboard->layout->digits_shifted[key - KEY_1] : "1234567890"[key - KEY_1];
    if (key >= KEY_MINUS && key <= KEY_SLASH)
        return (shift ? keyboard->layout->rest_shifted : keyboard->layout->rest)[key - KEY_MINUS];
    if (key >= KEYPAD_DIVIDE && key < KEYPAD_ENTER)
        return "/*-+"[key - KEYPAD_DIVIDE];
    if (key >= KEYPAD_1 && key <= KEYPAD_0)
        return "1234567890"[key - KEYPAD_1];
    if (key == KEYPAD_DECIMAL)
        return keyboard->keypad_decimal;
    if (key == KEYPAD_EQUAL)
        return '=';
    return key == KEY_SPACE ? ' ' : key == KEY_TAB ? '\t' : '\0';
}

static void add_character(struct hid_keyboard *keyboard, char character)
{
    if (character == '\0')
        return;
    if (character == '\t' && keyboard->line.separator != '\t')
        character = ' ';
    if (keyboard->length == sizeof keyboard->text)
        keyboard->overlong = true;
    else
        keyboard->text[keyboard->length++] = character;
}

/* The line is whole: its readings. */
static int finish(struct hid_keyboard *keyboard, struct reading *out, int most)
{
    struct line_text text = { keyboard->text, keyboard->length };
    bool joined = keyboard->joined, overlong = keyboard->overlong;

    keyboard->joined = false;
    keyboard->overlong = false;
    keyboard->length = 0;
    if (line_is_blank(text))
        return 0;
    if (joined)
        return -REJECT_FIRST;
    return overlong ? -REJECT_OVERLONG : line_readings(&keyboard->line, text, out, most);
}

static void type_key(struct hid_keyboard *keyboard, uint8_t key, uint8_t modifiers)
{
    char character = typed(keyboard, key, modifiers & SHIFT);

    if (modifiers & (ALT_LEFT | ALT_RIGHT)) {
        if (key >= KEYPAD_1 && key <= KEYPAD_0) {
            keyboard->alt_code = true;
            keyboard->alt_value = (keyboard->alt_value * 10 + (unsigned)(character - '0')) % 1000;
        }
    } else if (!(modifiers & CONTROL_OR_META)) {
        add_character(keyboard, character);
    }
}

static int decode(void *state, const uint8_t *frame_bytes, size_t length, struct reading *out, int most)
{
    struct hid_keyboard *keyboard = state;
    const uint8_t *report = length > 1 ? boot_report(keyboard, frame_bytes + 1, length - 1) : NULL;
    int count = 0;

    if (report == NULL)
        return length > 1 ? -REJECT_OTHER_REPORT : 0;
    if (report[KEYS] == KEY_ROLLOVER) /* more keys than fit a report: nothing changes */
        return 0;
    if (keyboard->alt_code && !(report[MODIFIERS] & (ALT_LEFT | ALT_RIGHT))) {
        if (keyboard->alt_value >= ' ' && keyboard->alt_value < 0x7f)
            add_character(keyboard, (char)keyboard->alt_value);
        keyboard->alt_code = false;
        keyboard->alt_value = 0;
    }
    for (int i = KEYS; i < REPORT_LENGTH && count == 0; i++) {
        if (report[i] == 0 || was_down(keyboard, report[i]))
            continue;
        if (ends_line(keyboard, report[i]))
            count = finish(keyboard, out, most);
        else
            type_key(keyboard, report[i], report[MODIFIERS]);
    }
    memcpy(keyboard->before, report, REPORT_LENGTH);
    return count;
}

const struct driver hid_keyboard_driver = {
    .name = "hid-keyboard",
    .summary = "USB instruments that type what they show; taken only when the port names the very device",
    .transport = TRANSPORT_USB,
    .state_size = sizeof(struct hid_keyboard),
    .configure = configure,
    .describe = describe,
    .release = release,
    .opened = opened,
    .frame = frame,
    .decode = decode,
};
