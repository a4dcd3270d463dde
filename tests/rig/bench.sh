#!/bin/bash
# Runs as root in the virtual machine (see run): one check a line, then "N passed, N failed".  Every wait is for
# something that happens, with a deadline.
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
        sed 's/^/        /' /tmp/check.log | tail -8
        failed=$((failed + 1))
    fi
}

soon() {        # soon SECONDS COMMAND...: until it succeeds, looked at five times a second
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
ctl() { as_user bench poise-ctl --bus ipc:///tmp/bench/bus --control ipc:///tmp/bench/control "$@"; }
shows() { ctl instruments | grep -E "^$1 +$2"; }
may() {         # may USER NODE
    as_user "$1" test -r "$2" -a -w "$2" || { getfacl -p "$2"; return 1; }
}
node() {        # node SERIAL: its device on the bus
    local folder
    folder=$(dirname "$(grep -lx "$1" /sys/bus/usb/devices/*/serial)")
    printf '/dev/bus/usb/%03d/%03d' "$(cat "$folder/busnum")" "$(cat "$folder/devnum")"
}
ignored() { udevadm info -q property "$1" | grep -x ID_MM_DEVICE_IGNORE=1; }

echo "# rules and instruments"
groupadd -r poise
useradd -G poise keeper         # of the group, and not at the seat
mkdir -p /run/udev/rules.d
cp 70-poise.rules /run/udev/rules.d/
cat >/run/udev/rules.d/69-poise-bench.rules <<'END'
SUBSYSTEM=="tty", ENV{ID_SERIAL_SHORT}=="RIG-SCALE", ENV{POISE_INSTRUMENT}="1"
SUBSYSTEM=="tty", ENV{ID_SERIAL_SHORT}=="RIG-USB-CDC", ENV{POISE_INSTRUMENT}="1"
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
check "the user at the seat may use the HID scale" soon 10 may bench "$(node RIG-USB-SCALE)"
check "a user in the group poise may" may keeper "$(node RIG-USB-SCALE)"
check "a user who is neither may not" never may visitor "$(node RIG-USB-SCALE)"
check "the user at the seat may use a marked adapter" may bench "$scale"
check "a user in the group poise may" may keeper "$scale"
check "a user who is neither may not" never may visitor "$scale"
check "an adapter of the same chip that is not marked is left alone" never may bench "$refractometer"
check "the modem manager is kept away from the marked one" ignored "$scale"
check "and from that one not" never ignored "$refractometer"
check "nor from the computer's own terminals" never ignored /dev/tty0

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

[cup blue]
mass_g = 320

[strength]
strength_per_brix = 0.85
END
}

echo "# no instrument configured, and the user at the seat"
folder bench
configuration bench >/tmp/bench/none.conf
as_user bench poised --config /tmp/bench/none.conf >/tmp/poised.log 2>&1 &
check "the HID scale is taken by itself" soon 20 said 'scale-rig-usb-scale: ready'
check "its reading is there" soon 10 shows scale-rig-usb-scale 'ready +18\.3 g'
usbctl scale stall
usbctl scale weight 20.5
check "stalled, it is read on" soon 10 shows scale-rig-usb-scale 'ready +20\.5 g'
usbctl scale noise
usbctl scale weight 21
check "after noise on the bus, too" soon 10 shows scale-rig-usb-scale 'ready +21 g'
usbctl scale unplug
check "pulled out, it is lost" soon 10 said 'scale-rig-usb-scale: lost'
usbctl scale plug
usbctl scale weight 22
check "plugged in, it is there under its name" soon 10 shows scale-rig-usb-scale 'ready +22 g'
check "and nobody complained before udev had given it" never grep refused /tmp/poised.log
check "no keyboard is taken" never said wedge
ctl instruments >/tmp/instruments.log
check "the adapters are listed, with what to do" said "poise-ctl probe $scale" /tmp/instruments.log
check "the keyboard is, with its section" said '^port     = usb:1209:0002:RIG-USB-WEDGE' /tmp/instruments.log
sed 's/^/        /' /tmp/instruments.log
pkill -KILL -x poised
soon 10 never pgrep -x poised >/dev/null
as_user bench poised --config /tmp/bench/none.conf >/tmp/poised.log 2>&1 &
check "killed and started again, the scale is taken again" soon 20 said 'scale-rig-usb-scale: ready'
check "its reading is there" soon 10 shows scale-rig-usb-scale 'ready +22 g'
pkill -x poised
soon 10 never pgrep -x poised >/dev/null
check "the kernel has the scale back" soon 5 ls /dev/hidraw0

echo "# a stranger"
folder visitor
configuration visitor >/tmp/visitor/none.conf
as_user visitor timeout 6 poised --config /tmp/visitor/none.conf >/tmp/visitor.log 2>&1
check "is refused, and reported what to do" said 'no permission .*udev rules' /tmp/visitor.log
check "and reads nothing" never said 'ready: readings' /tmp/visitor.log

echo "# probing a real adapter"
stty -F "$scale" -echo          # a port that echoes would send the scale its own lines while stty sets it up
rigctl scale repeat 100 'ST,GS,+   12.34 g\r\n'
rigctl scale recv 0 >/dev/null 2>&1
for hangup in hupcl -hupcl; do
    stty -F "$scale" 1200 cs7 parenb -echo "$hangup"
    before=$(stty -F "$scale" -a)
    as_user bench poise-ctl probe "$scale" >/tmp/section.log 2>/tmp/said.log
    stty -F "$scale" -a >/tmp/after.log
    check "it is understood" said '^serial   = 9600 8N1' /tmp/section.log
    check "and given back with every setting, $hangup" [ "$(cat /tmp/after.log)" = "$before" ]
done
check "it is named by its lasting link" said "^port     = $scale\$" /tmp/section.log
check "nothing was sent" never rigctl scale recv 1
rigctl scale repeat off

echo "# everything configured"
echo 'SUBSYSTEM=="tty", ENV{ID_SERIAL_SHORT}=="RIG-REFRACTOMETER", ENV{POISE_INSTRUMENT}="1"' \
    >>/run/udev/rules.d/69-poise-bench.rules
udevadm control --reload
udevadm trigger --subsystem-match=tty --action=change
udevadm settle
{
    configuration bench
    cat <<END
[instrument left-scale]
driver = line
port = $scale
serial = 9600 8N1
quantity = mass
station = left
tare = T\\r\\n

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
dtr = off
rts = on
quantity = temperature

[instrument drip-scale]
driver = hid-scale
port = usb:1209:0001
END
} >/tmp/bench/all.conf
check "the configuration is good" poised --check-config --config /tmp/bench/all.conf
as_user bench poised --config /tmp/bench/all.conf >/tmp/poised.log 2>&1 &
soon 10 said 'is ready on'
ctl watch --json >/tmp/watch.log 2>&1 &
check "the drip scale is read" soon 20 said 'drip-scale: ready'
ctl zero --instrument drip-scale
check "an order to zero reaches it" soon 10 shows drip-scale 'ready +0 g'
check "the adapter has the settings" [ "$(rigctl refractometer state)" = "19200 8N1" ]
ctl tare --station left
check "an order to tare reaches the scale" sh -c "rigctl scale recv 5 | grep -F 'T\\r\\n'"
for line in 'Brix 1.0 % 20.0 C' 'Brix 12.3 % 21.4 C'; do rigctl refractometer send "$line\r\n"; done
check "the refractometer's line is two readings" soon 10 count 2 '"instrument": ?"refractometer"'
for line in '90.0 C' '93.5 C'; do usbctl cdc send "$line\r\n"; done
check "the CDC-ACM thermometer is read" soon 10 count 1 '"instrument": ?"thermometer".*93\.5'
check "its lines are as the section says" sh -c "usbctl cdc state | tee /dev/stderr | grep 'dtr=0 rts=1'"
check "the typing instrument's keys reach nobody else" never ls /dev/input/by-id/*RIG-USB-WEDGE*
usbctl wedge type '9.99\n'
usbctl wedge type '1.52\n'
check "it is read" soon 10 count 1 '"instrument": ?"reader".*1\.52'
check "nothing is left to configure" never bash -c "$(declare -f as_user ctl); ctl instruments | grep 'probe /dev/serial'"
as_user bench poise-ctl probe --seconds 0.2 "$scale" >/tmp/section.log 2>/tmp/said.log
check "probe leaves a port alone that poised holds" said 'in use' /tmp/said.log

echo "# ten times unplugged in the middle of a brew"
as_user bench poise-logger --bus ipc:///tmp/bench/bus --control ipc:///tmp/bench/control --store /tmp/bench/store.db \
    >/tmp/logger.log 2>&1 &
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
check "and never refused" never count 1 "$(change refused)"
check "all of it before the press" never count 1 '"stage": ?"press"'
check "the brew ends" soon 150 count 1 '"change": ?"end"'
check "it was one" [ "$(grep -Ec '"change": ?"(begin|end|discard)"' /tmp/watch.log)" = 2 ]
grep -E '"topic": ?"event/pier/(brew|stage|warning)"|"question"' /tmp/watch.log | grep -v '"instruments"' | sed 's/.*"mono_us"/        "mono_us"/' | cut -c1-300
for reading in 1 2 3; do rigctl refractometer send 'Brix 1.65 % 20.0 C\r\n'; done
row() {         # row CONDITION: it holds for the one brew of the store
    sqlite3 -line /tmp/bench/store.db 'SELECT * FROM brew_summary'
    [ "$(sqlite3 /tmp/bench/store.db "SELECT count(*), sum($1) FROM brew_summary")" = '1|1' ]
}
trace() {       # trace SELECT: says 1
    [ "$(sqlite3 /tmp/bench/store.db "$1")" = 1 ]
}
check "the store has one brew, with its end" soon 20 row 'ended_utc IS NOT NULL'
check "its dose is right" row 'abs(dose_g - 15) <= 0.1'
check "its water is right" row 'abs(water_g - 230) <= 0.3'
check "its beverage is right" row 'abs(beverage_g - 200) <= 0.3'
check "its press is there" row 'press_s BETWEEN 18 AND 26 AND press_peak_kpa > 4'
check "its strength comes from the refractometer" soon 20 row 'abs(strength_pct - 0.85 * 1.65) <= 0.01'
check "its extraction follows" row 'abs(extraction_pct - strength_pct * beverage_g / dose_g) < 0.001'
check "its trace goes from the dose to the cup" trace "SELECT min(seconds) < -5 AND max(seconds) > 120 AND count(*) > 800
    FROM brew_trace WHERE instrument = 'left-scale' AND quantity = 'mass'"
check "with the press in it" trace "SELECT max(value) > 1900 FROM brew_trace WHERE instrument = 'left-scale'"
sqlite3 -line /tmp/bench/store.db "SELECT brew, dose_g, water_g, beverage_g, steep_s, press_s, press_peak_kpa, strength_pct,
    extraction_pct, (SELECT count(*) FROM brew_trace) AS readings FROM brew_summary" | sed 's/^/        /'

echo "# the end"
ctl instruments | sed 's/^/        /'
pkill -x poise-logger
pkill -x poised                  # and not what runs it for the user, which kills it after two seconds
check "poised ends when asked" soon 10 never pgrep -x poised
check "and the keyboard types for the kernel again" soon 10 ls /dev/input/by-id/*RIG-USB-WEDGE*
sed 's/^/        /' /tmp/poised.log | tail -40
[ $failed = 0 ] || tail -n 5 /tmp/logger.log /tmp/said.log /tmp/devices.log
echo "$passed passed, $failed failed"
[ $failed = 0 ]
