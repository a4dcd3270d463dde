/* USB instruments by udev; see hotplug.h. */
#include "hotplug.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <libudev.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "hid/hid.h"
#include "poise/clock.h"

enum {
    SCALE_PAGE = 0x8d,
    APPLICATION_KEYBOARD = 1 << 16 | 6,
    APPLICATION_KEYPAD = 1 << 16 | 7,
    DESCRIPTOR_MOST = 4096,
    SETTLE_MS = 50 /* one plug brings a handful of messages within milliseconds */
};

struct hotplug {
    struct udev *udev;
    struct udev_monitor *monitor;
    uv_poll_t poll;
    uv_timer_t settle;
    int handles;
    void (*changed)(void *context);
    void (*closed)(void *context);
    void *context;
};

/* --- what is there ----------------------------------------------------------------------------------- */

static const char *attribute(struct udev_device *device, const char *name)
{
    const char *value = udev_device_get_sysattr_value(device, name);

    return value ? value : "";
}

/* The kernel's HID driver has read the report descriptor already, if it holds the interface.  Its folder
 * is called 0003:VID:PID.NUMBER. */
static size_t read_descriptor(const char *interface_path, uint8_t out[DESCRIPTOR_MOST])
{
    DIR *folder = opendir(interface_path);
    struct dirent *entry;
    ssize_t length = 0;

    while (folder && length <= 0 && (entry = readdir(folder)) != NULL) {
        char path[PATH_MAX];
        int fd;

        if (strlen(entry->d_name) < 15 || entry->d_name[4] != ':' || entry->d_name[9] != ':'
            || snprintf(path, sizeof path, "%s/%s/report_descriptor", interface_path, entry->d_name)
                   >= (int)sizeof path)
            continue;
        fd = open(path, O_RDONLY | O_CLOEXEC);
        if (fd < 0)
            continue;
        length = read(fd, out, DESCRIPTOR_MOST);
        close(fd);
    }
    if (folder)
        closedir(folder);
    return length > 0 ? (size_t)length : 0;
}

static void classify(struct udev_device *interface, struct usb_found *found)
{
    uint8_t descriptor[DESCRIPTOR_MOST];
    size_t length = read_descriptor(udev_device_get_syspath(interface), descriptor);
    bool boot_keyboard = strcmp(attribute(interface, "bInterfaceSubClass"), "01") == 0
                         && strcmp(attribute(interface, "bInterfaceProtocol"), "01") == 0;
    bool boot_mouse = strcmp(attribute(interface, "bInterfaceProtocol"), "02") == 0;
    uint32_t application;

    found->scale = found->keyboard = -1;
    if (length > 0) {
        application = hid_application(descriptor, length);
        found->scale = application >> 16 == SCALE_PAGE;
        found->keyboard = application == APPLICATION_KEYBOARD || application == APPLICATION_KEYPAD;
    } else if (boot_keyboard || boot_mouse) {
        found->scale = 0;
        found->keyboard = boot_keyboard;
    }
}

static bool describe_found(struct udev_device *interface, struct usb_found *found)
{
    struct udev_device *device = udev_device_get_parent_with_subsystem_devtype(interface, "usb", "usb_device");

    if (device == NULL)
        return false;
    *found = (struct usb_found){
        .place = { .bus = (uint8_t)atoi(attribute(device, "busnum")),
                   .address = (uint8_t)atoi(attribute(device, "devnum")),
                   .interface = (uint8_t)strtoul(attribute(interface, "bInterfaceNumber"), NULL, 16) },
        .vendor = (uint16_t)strtoul(attribute(device, "idVendor"), NULL, 16),
        .product = (uint16_t)strtoul(attribute(device, "idProduct"), NULL, 16),
    };
    snprintf(found->serial, sizeof found->serial, "%s", attribute(device, "serial"));
    snprintf(found->port, sizeof found->port, "%s", udev_device_get_sysname(device));
    snprintf(found->title, sizeof found->title, "%s", attribute(device, "product"));
    found->unbound = udev_device_get_driver(interface) == NULL;
    classify(interface, found);
    return found->place.bus != 0 && found->place.address != 0;
}

static int list_interfaces(struct udev *udev, struct usb_found list[USB_FOUND_MOST])
{
    struct udev_enumerate *enumerate = udev_enumerate_new(udev);
    struct udev_list_entry *entry;
    int count = 0;

    if (enumerate == NULL)
        return 0;
    udev_enumerate_add_match_subsystem(enumerate, "usb");
    udev_enumerate_add_match_sysattr(enumerate, "bInterfaceClass", "03");
    udev_enumerate_scan_devices(enumerate);
    udev_list_entry_foreach(entry, udev_enumerate_get_list_entry(enumerate))
    {
        struct udev_device *interface = udev_device_new_from_syspath(udev, udev_list_entry_get_name(entry));

        if (interface == NULL)
            continue;
        if (count < USB_FOUND_MOST && describe_found(interface, &list[count]))
            count++;
        udev_device_unref(interface);
    }
    udev_enumerate_unref(enumerate);
    return count;
}

int hotplug_list(struct hotplug *hotplug, struct usb_found list[USB_FOUND_MOST])
{
    return list_interfaces(hotplug->udev, list);
}

int hotplug_look(struct usb_found list[USB_FOUND_MOST])
{
    struct udev *udev = udev_new();
    int count = udev ? list_interfaces(udev, list) : 0;

    udev_unref(udev);
    return count;
}

bool hotplug_is_busy(void)
{
    struct udev *udev = udev_new();
    struct udev_queue *queue = udev ? udev_queue_new(udev) : NULL;
    bool busy = queue && !udev_queue_get_queue_is_empty(queue);

    udev_queue_unref(queue);
    udev_unref(udev);
    return busy;
}

/* A port of the computer itself has a chip behind it, or its type is 0. */
static bool describe_serial(struct udev_device *device, struct serial_found *found)
{
    struct udev_device *usb = udev_device_get_parent_with_subsystem_devtype(device, "usb", "usb_device");
    const char *path = udev_device_get_devnode(device), *type = attribute(device, "type");

    if (path == NULL || (usb == NULL && (*type == '\0' || strcmp(type, "0") == 0)))
        return false;
    *found = (struct serial_found){ .vendor = -1, .product = -1 };
    if (snprintf(found->path, sizeof found->path, "%s", path) >= (int)sizeof found->path)
        return false;
    if (usb) {
        found->vendor = (int)strtoul(attribute(usb, "idVendor"), NULL, 16) & 0xffff;
        found->product = (int)strtoul(attribute(usb, "idProduct"), NULL, 16) & 0xffff;
        snprintf(found->title, sizeof found->title, "%s", attribute(usb, "product"));
    }
    return true;
}

int hotplug_look_serial(struct serial_found list[SERIAL_FOUND_MOST])
{
    struct udev *udev = udev_new();
    struct udev_enumerate *enumerate = udev ? udev_enumerate_new(udev) : NULL;
    struct udev_list_entry *entry;
    int count = 0;

    if (enumerate) {
        udev_enumerate_add_match_subsystem(enumerate, "tty");
        udev_enumerate_scan_devices(enumerate);
        udev_list_entry_foreach(entry, udev_enumerate_get_list_entry(enumerate))
        {
            struct udev_device *device = udev_device_new_from_syspath(udev, udev_list_entry_get_name(entry));

            if (device && count < SERIAL_FOUND_MOST && describe_serial(device, &list[count]))
                count++;
            udev_device_unref(device);
        }
        udev_enumerate_unref(enumerate);
    }
    udev_unref(udev);
    return count;
}

/* --- changes ----------------------------------------------------------------------------------------- */

static void on_settled(uv_timer_t *timer)
{
    struct hotplug *hotplug = timer->data;

    hotplug->changed(hotplug->context);
}

static void on_message(uv_poll_t *poll, int status, int events)
{
    struct hotplug *hotplug = poll->data;
    struct udev_device *device;

    (void)status;
    (void)events;
    while ((device = udev_monitor_receive_device(hotplug->monitor)) != NULL)
        udev_device_unref(device);
    uv_timer_start(&hotplug->settle, on_settled, SETTLE_MS, 0);
}

static void hotplug_free(struct hotplug *hotplug)
{
    if (hotplug->monitor)
        udev_monitor_unref(hotplug->monitor);
    if (hotplug->udev)
        udev_unref(hotplug->udev);
    free(hotplug);
}

int hotplug_open(struct hotplug **out, uv_loop_t *loop, void (*changed)(void *context), void *context, struct why *why)
{
    struct hotplug *hotplug = calloc(1, sizeof *hotplug);

    if (hotplug == NULL)
        return why_set(why, -ENOMEM, "no memory for hotplug");
    hotplug->changed = changed;
    hotplug->context = context;
    hotplug->udev = udev_new();
    if (hotplug->udev)
        hotplug->monitor = udev_monitor_new_from_netlink(hotplug->udev, "udev");
    if (hotplug->monitor == NULL || udev_monitor_filter_add_match_subsystem_devtype(hotplug->monitor, "usb", NULL) < 0
        || udev_monitor_filter_add_match_subsystem_devtype(hotplug->monitor, "hidraw", NULL) < 0
        || udev_monitor_enable_receiving(hotplug->monitor) < 0
        || uv_poll_init(loop, &hotplug->poll, udev_monitor_get_fd(hotplug->monitor)) < 0) {
        hotplug_free(hotplug);
        return why_set(why, -EIO, "udev cannot be asked for USB instruments");
    }
    uv_timer_init(loop, &hotplug->settle);
    hotplug->handles = 2;
    hotplug->poll.data = hotplug->settle.data = hotplug;
    if (uv_poll_start(&hotplug->poll, UV_READABLE, on_message) < 0) {
        hotplug_close(hotplug, NULL);
        return why_set(why, -EIO, "udev cannot be asked for USB instruments");
    }
    *out = hotplug;
    return 0;
}

static void on_handle_closed(uv_handle_t *handle)
{
    struct hotplug *hotplug = handle->data;
    void (*closed)(void *) = hotplug->closed;
    void *context = hotplug->context;

    if (--hotplug->handles > 0)
        return;
    hotplug_free(hotplug);
    if (closed)
        closed(context);
}

void hotplug_close(struct hotplug *hotplug, void (*closed)(void *context))
{
    hotplug->closed = closed;
    uv_close((uv_handle_t *)&hotplug->poll, on_handle_closed);
    uv_close((uv_handle_t *)&hotplug->settle, on_handle_closed);
}

enum {
    FRESH_MS = 1000, /* udev has begun to look at a new node within so long */
    UDEV_MS = 15000, /* and has given it to its users; longer, and it is busy with something else */
};

/* The kernel makes the node, and udev says a little later who may open it, which changes the node again. */
bool hotplug_node_is_fresh(const char *path)
{
    int64_t changed_ms, age_ms;
    struct stat node;

    if (lstat(path, &node) < 0)
        return false;
    changed_ms = (int64_t)node.st_ctim.tv_sec * 1000 + node.st_ctim.tv_nsec / 1000000;
    age_ms = clock_world_now().time_us / 1000 - changed_ms;
    return age_ms >= 0 && (age_ms < FRESH_MS || (age_ms < UDEV_MS && hotplug_is_busy()));
}
