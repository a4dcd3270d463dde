/* HID report descriptors; see hid.h.  The bytes come from a device and are untrusted. */
#include "hid.h"

#include <errno.h>
#include <string.h>

/* Items with their size bits taken off (6.2.2.4 to 6.2.2.8). */
enum {
    ITEM_INPUT = 0x80,
    ITEM_OUTPUT = 0x90,
    ITEM_FEATURE = 0xb0,
    ITEM_COLLECTION = 0xa0,
    ITEM_END = 0xc0,
    ITEM_USAGE_PAGE = 0x04,
    ITEM_REPORT_SIZE = 0x74,
    ITEM_REPORT_ID = 0x84,
    ITEM_REPORT_COUNT = 0x94,
    ITEM_PUSH = 0xa4,
    ITEM_POP = 0xb4,
    ITEM_USAGE = 0x08,
    ITEM_USAGE_LEAST = 0x18,
    ITEM_USAGE_MOST = 0x28,
    ITEM_LONG = 0xfe,

    DEPTH_MOST = 16,   /* collections within collections, and pushes */
    REPORTS_MOST = 64, /* kinds times IDs */
    REPORT_BITS_MOST = 4096 * 8
};

struct globals {
    uint32_t page, size, count;
    uint8_t report_id;
};

struct walk {
    struct globals globals, pushed[DEPTH_MOST];
    int pushes;
    uint32_t collections[DEPTH_MOST];
    int depth;
    uint32_t usages[HID_USAGES_MOST], usage_least;
    int usage_count;
    struct {
        enum hid_kind kind;
        uint8_t id;
        uint32_t bits;
    } reports[REPORTS_MOST];
    int report_count;
};

static void add_usage(struct walk *walk, uint32_t usage)
{
    if (walk->usage_count < HID_USAGES_MOST)
        walk->usages[walk->usage_count++] = usage;
}

/* A usage of up to two bytes belongs to the page that is set; a longer one brings its own. */
static uint32_t with_page(const struct walk *walk, uint32_t value, size_t size)
{
    return size == 4 ? value : walk->globals.page << 16 | (value & 0xffff);
}

/* Where the next field of this report begins; NULL: too many reports. */
static uint32_t *report_bits(struct walk *walk, enum hid_kind kind)
{
    int i = 0;

    while (i < walk->report_count && (walk->reports[i].kind != kind || walk->reports[i].id != walk->globals.report_id))
        i++;
    if (i == REPORTS_MOST)
        return NULL;
    if (i == walk->report_count) {
        walk->reports[i].kind = kind;
        walk->reports[i].id = walk->globals.report_id;
        walk->report_count++;
    }
    return &walk->reports[i].bits;
}

static int main_field(struct walk *walk, enum hid_kind kind, void (*field)(void *, const struct hid_field *),
                      void *context)
{
    uint32_t *bits = report_bits(walk, kind);
    struct hid_field found = { .kind = kind,
                               .report_id = walk->globals.report_id,
                               .usage_count = walk->usage_count,
                               .bits = walk->globals.size,
                               .count = walk->globals.count };

    if (bits == NULL || found.bits > 32 || found.count > REPORT_BITS_MOST
        || *bits + found.bits * found.count > REPORT_BITS_MOST)
        return -EINVAL;
    found.bit_offset = *bits;
    *bits += found.bits * found.count;
    found.collection = walk->depth > 0 ? walk->collections[walk->depth - 1] : 0;
    memcpy(found.usages, walk->usages, sizeof found.usages);
    field(context, &found);
    return 0;
}

static int main_item(struct walk *walk, uint8_t item, void (*field)(void *, const struct hid_field *), void *context)
{
    int error = 0;

    switch (item) {
    case ITEM_INPUT:
        error = main_field(walk, HID_INPUT, field, context);
        break;
    case ITEM_OUTPUT:
        error = main_field(walk, HID_OUTPUT, field, context);
        break;
    case ITEM_FEATURE:
        error = main_field(walk, HID_FEATURE, field, context);
        break;
    case ITEM_COLLECTION:
        if (walk->depth == DEPTH_MOST)
            return -EINVAL;
        walk->collections[walk->depth++] = walk->usage_count > 0 ? walk->usages[0] : 0;
        break;
    case ITEM_END:
        if (walk->depth == 0)
            return -EINVAL;
        walk->depth--;
        break;
    }
    walk->usage_count = 0; /* local items hold until the next main item */
    return error;
}

static int state_item(struct walk *walk, uint8_t item, uint32_t value, size_t size)
{
    switch (item) {
    case ITEM_USAGE_PAGE:
        walk->globals.page = value & 0xffff;
        break;
    case ITEM_REPORT_SIZE:
        walk->globals.size = value;
        break;
    case ITEM_REPORT_COUNT:
        walk->globals.count = value;
        break;
    case ITEM_REPORT_ID:
        walk->globals.report_id = (uint8_t)value;
        break;
    case ITEM_PUSH:
        if (walk->pushes == DEPTH_MOST)
            return -EINVAL;
        walk->pushed[walk->pushes++] = walk->globals;
        break;
    case ITEM_POP:
        if (walk->pushes == 0)
            return -EINVAL;
        walk->globals = walk->pushed[--walk->pushes];
        break;
    case ITEM_USAGE:
        add_usage(walk, with_page(walk, value, size));
        break;
    case ITEM_USAGE_LEAST:
        walk->usage_least = with_page(walk, value, size);
        break;
    case ITEM_USAGE_MOST:
        for (uint32_t usage = walk->usage_least;
             usage <= with_page(walk, value, size) && walk->usage_count < HID_USAGES_MOST; usage++)
            add_usage(walk, usage);
        break;
    }
    return 0;
}

int hid_walk(const uint8_t *descriptor, size_t length, void (*field)(void *context, const struct hid_field *field),
             void *context)
{
    static const size_t sizes[] = { 0, 1, 2, 4 };
    struct walk walk = { .depth = 0 };
    int error = 0;

    for (size_t at = 0; at < length && error == 0;) {
        uint8_t prefix = descriptor[at], item = prefix & 0xfc;
        size_t size = sizes[prefix & 3];
        uint32_t value = 0;

        if (prefix == ITEM_LONG) { /* for vendors; none is defined */
            if (length - at < 3 || length - at - 3 < descriptor[at + 1])
                return -EINVAL;
            at += 3 + (size_t)descriptor[at + 1];
            continue;
        }
        if (length - at - 1 < size)
            return -EINVAL;
        for (size_t i = 0; i < size; i++)
            value |= (uint32_t)descriptor[at + 1 + i] << (8 * i);
        at += 1 + size;
        error = (item & 0x0c) == 0 ? main_item(&walk, item, field, context) : state_item(&walk, item, value, size);
    }
    return error < 0 ? error : length == 0 || walk.depth > 0 ? -EINVAL : 0;
}

static void note_end(void *context, const struct hid_field *field)
{
    size_t *longest = context, end = (field->bit_offset + field->bits * field->count + 7) / 8 + (field->report_id != 0);

    if (field->kind == HID_INPUT && end > *longest)
        *longest = end;
}

size_t hid_longest_input(const uint8_t *descriptor, size_t length)
{
    size_t longest = 0;

    return hid_walk(descriptor, length, note_end, &longest) < 0 ? 0 : longest;
}

uint32_t hid_application(const uint8_t *descriptor, size_t length)
{
    uint32_t page = 0, usage = 0;

    for (size_t at = 0; at < length;) {
        static const size_t sizes[] = { 0, 1, 2, 4 };
        uint8_t item = descriptor[at] & 0xfc;
        size_t size = sizes[descriptor[at] & 3];
        uint32_t value = 0;

        if (descriptor[at] == ITEM_LONG || length - at - 1 < size)
            return 0;
        for (size_t i = 0; i < size; i++)
            value |= (uint32_t)descriptor[at + 1 + i] << (8 * i);
        if (item == ITEM_COLLECTION)
            return usage;
        if (item == ITEM_USAGE_PAGE)
            page = value & 0xffff;
        if (item == ITEM_USAGE)
            usage = size == 4 ? value : page << 16 | (value & 0xffff);
        at += 1 + size;
    }
    return 0;
}
