#!/bin/bash
# Runs as root in the virtual machine (see run): one check a line, then "N passed, N failed".
export LD_LIBRARY_PATH=$PWD/lib PATH=$PWD:$PATH
passed=0 failed=0

check() {       # check WHAT COMMAND...
    what=$1
    shift
    if "$@" >/tmp/check.log 2>&1; then
        echo "ok      $what"
        passed=$((passed + 1))
    else
        echo "FAILED  $what"
        sed 's/^/        /' /tmp/check.log | tail -5
        failed=$((failed + 1))
    fi
}

soon() {        # soon SECONDS COMMAND...: until it succeeds
    local end=$((SECONDS + $1))
    shift
    until "$@"; do
        [ $SECONDS -lt $end ] || return 1
        sleep 0.2
    done
}

said() { grep -Eq "$1" "${2:-/tmp/poised.log}"; }
count() { [ "$(grep -Ec "$2" "${3:-/tmp/watch.log}")" -ge "$1" ]; }
never() { ! "$@"; }
as_user() { user=$1; shift; runuser -u "$user" -- env LD_LIBRARY_PATH="$LD_LIBRARY_PATH" PATH="$PATH" "$@"; }

echo "# rules and instruments"
groupadd -r poise
mkdir -p /run/udev/rules.d
cp 70-poise.rules /run/udev/rules.d/
cat >/run/udev/rules.d/69-poise-bench.rules <<'END'
SUBSYSTEM=="tty", ENV{ID_SERIAL_SHORT}=="RIG-*", ENV{POISE_INSTRUMENT}="1"
SUBSYSTEM=="usb", ENV{DEVTYPE}=="usb_device", ATTR{serial}=="RIG-USB-WEDGE", ENV{POISE_INSTRUMENT}="1"
END
udevadm control --reload
udevadm trigger --subsystem-match=tty --action=add
modprobe vhci_hcd
usbip_devices.py scale wedge cdc >/tmp/devices.log 2>&1 &
usbctl scale weight 18.3
usbctl wedge show >/dev/null 2>&1
udevadm wait -t 20 /dev/ttyUSB0 /dev/ttyUSB1 /dev/ttyACM0 /dev/hidraw0
udevadm settle
scale=$(echo /dev/serial/by-id/*RIG-SCALE*) refractometer=$(echo /dev/serial/by-id/*RIG-REFRACTOMETER*)
cdc=$(echo /dev/serial/by-id/*RIG-USB-CDC*)
check "every serial instrument has its by-id link" ls "$scale" "$refractometer" "$cdc"

folder() { install -d -o "$1" "/tmp/$1"; }
configuration() {       # bench sections for the user
    cat <<END
[bench]
name = pier
bus = ipc:///tmp/$1/bus
control = ipc:///tmp/$1/control
journal = /tmp/$1/journal.db

[station left]
piston_diameter_mm = 60
END
}

echo "# no instrument configured, and the user at the seat"
folder bench
configuration bench >/tmp/bench/none.conf
as_user bench poised --config /tmp/bench/none.conf >/tmp/poised.log 2>&1 &
check "the HID scale is taken by itself" soon 20 said 'scale-rig-usb-scale: ready'
check "its reading is there" soon 10 sh -c 'poise-ctl --control ipc:///tmp/bench/control instruments | grep "18.3 g"'
check "and no keyboard is" never said wedge
pkill -x poised
soon 10 never pgrep -x poised >/dev/null
check "the kernel has the scale back" soon 5 ls /dev/hidraw0

echo "# a stranger"
folder visitor
configuration visitor >/tmp/visitor/none.conf
as_user visitor timeout 6 poised --config /tmp/visitor/none.conf >/tmp/visitor.log 2>&1
check "is refused, and told what to do" said 'no permission .*udev rules' /tmp/visitor.log
check "and reads nothing" never said 'ready: readings' /tmp/visitor.log

echo "# everything configured"
{
    configuration bench
    cat <<END
[instrument left-scale]
driver = line
port = $scale
serial = 9600 8N1
quantity = mass
station = left

[instrument refractometer]
driver = line
port = $refractometer
serial = 19200 8N1
quantity = brix

[instrument reader]
driver = hid-keyboard
port = usb:1209:0002:RIG-USB-WEDGE
quantity = strength

[instrument thermometer]
driver = line
port = $cdc
serial = 9600 8N1
quantity = temperature

[instrument drip-scale]
driver = hid-scale
port = usb:1209:0001
END
} >/tmp/bench/all.conf
check "the configuration is good" poised --check-config --config /tmp/bench/all.conf
as_user bench poised --config /tmp/bench/all.conf >/tmp/poised.log 2>&1 &
soon 10 said 'is ready on'
as_user bench poise-ctl --bus ipc:///tmp/bench/bus --control ipc:///tmp/bench/control watch --json >/tmp/watch.log 2>&1 &
check "the drip scale is read" soon 20 said 'drip-scale: ready'
check "the adapter has the settings" [ "$(rigctl refractometer state)" = "19200 8N1" ]
for line in 'Brix 1.0 % 20.0 C' 'Brix 12.3 % 21.4 C'; do rigctl refractometer send "$line\r\n"; done
check "the refractometer's line is two readings" soon 10 count 2 '"instrument": ?"refractometer"'
for line in '90.0 C' '93.5 C'; do usbctl cdc send "$line\r\n"; done
check "the CDC-ACM thermometer is read" soon 10 count 1 '"instrument": ?"thermometer".*93\.5'
check "the typing instrument's keys reach nobody else" never ls /dev/input/by-id/*RIG-USB-WEDGE*
usbctl wedge type '9.99\n'
usbctl wedge type '1.52\n'
check "it is read" soon 10 count 1 '"instrument": ?"reader".*1\.52'

echo "# ten times unplugged in the middle of a brew"
rigctl scale exec python3 ./brew.py 90
check "a brew begins" soon 60 count 1 '"change": ?"begin"'
check "the water is in: it steeps" soon 60 count 1 '"stage": ?"steep"'
change() { echo "\"instrument\": ?\"left-scale\".*\"change\": ?\"$1\""; }
for cycle in 1 2 3 4 5 6 7 8 9 10; do
    rigctl scale unplug
    soon 10 count $cycle "$(change lost)"
    rigctl scale plug
    soon 10 count $cycle "$(change found)"
done
check "each time it was lost" count 10 "$(change lost)"
check "and found again" count 10 "$(change found)"
check "the brew ends" soon 150 count 1 '"change": ?"end"'
check "it was one" [ "$(grep -Ec '"change": ?"(begin|end|discard)"' /tmp/watch.log)" = 2 ]
grep -E '"topic": ?"event/pier/(brew|stage|warning)"|"question"' /tmp/watch.log | grep -v '"instruments"' | sed 's/.*"mono_us"/        "mono_us"/' | cut -c1-300
check "its water is right" grep -Eq '"change": ?"end".*"water_g": ?\{?("value": ?)?(229\.[789]|230\.[0-3])' /tmp/watch.log

echo "# the end"
pkill -x -f 'poised --config /tmp/bench/all.conf'
check "poised ends when asked" soon 10 never pgrep -x poised
check "and the keyboard types for the kernel again" soon 10 ls /dev/input/by-id/*RIG-USB-WEDGE*
sed 's/^/        /' /tmp/poised.log | tail -40
echo "$passed passed, $failed failed"
[ $failed = 0 ]
