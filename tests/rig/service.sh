#!/bin/bash
# In the virtual machine: poised and poise-logger as services, as installed, under the service manager's own confinement.
# Prints what holds and what does not, and "N passed, N failed".
set -u
here=$(cd "$(dirname "$0")" && pwd)
passed=0 failed=0
check() {   # check WORDS COMMAND...
    local words=$1
    shift
    if "$@" >/tmp/check.out 2>&1; then passed=$((passed + 1)); echo "ok    $words"
    else failed=$((failed + 1)); echo "WRONG $words"; tail -5 /tmp/check.out; fi
}
await() {   # await COMMAND...: within 20 s
    local left=100
    until "$@"; do left=$((left - 1)); [ $left -gt 0 ] || return 1; sleep 0.2; done
}
cp -a "$here/root/." / && cp -n "$here"/lib/* /usr/lib/x86_64-linux-gnu/ && ldconfig    # what the image has is in use
systemd-sysusers
udevadm control --reload
systemctl daemon-reload
modprobe vhci_hcd
usbip_devices.py scale &
usbctl scale weight 18.3
check "both services start" systemctl start poised poise-logger
check "poised says that it is ready" await systemctl is-active -q poised
check "the logger runs" await systemctl is-active -q poise-logger
useradd -m -G poise member; useradd -m stranger
as() { runuser -u "$1" -- "${@:2}"; }
shows() { as member poise-ctl instruments | grep -q '18\.3'; }
check "a member of the group sees the USB scale that nobody configured" await shows
refused() { ! as stranger poise-ctl status >/tmp/said 2>&1 && grep -q 'join the group poise' /tmp/said; }
check "a stranger is refused, and learns what to do" refused
check "the store is there for the group, and for nobody else" \
    bash -c 'stat -c "%U:%G %a" /var/lib/poise/store.db | grep -qx "poise:poise 640"'
check "a member reads the store without a word of where it is" as member poise-ctl brews
check "a brew begun by order is in the store" bash -c '
    runuser -u member -- poise-ctl begin && runuser -u member -- poise-ctl mark pour && runuser -u member -- poise-ctl end
    for i in $(seq 100); do runuser -u member -- poise-ctl brews | grep -q bench-2 && exit 0; sleep 0.2; done; exit 1'
was=$(systemctl show -p MainPID --value poised)
systemctl kill -s KILL poised
again() { systemctl is-active -q poised && [ "$(systemctl show -p MainPID --value poised)" != "$was" ]; }
check "killed, it is started again and carries on" await again
check "the scale is read again" await shows
echo "[bench" >/etc/poise/poised.conf
systemctl restart poised
wrong() { [ "$(systemctl show -p Result --value poised)" = exit-code ] && [ "$(systemctl show -p NRestarts --value poised)" = 0 ]; }
check "a wrong configuration ends in one sentence and no restart" await wrong
journalctl -u poised -b --no-pager | grep poised.conf: | tail -1
echo "# set up by a person, and looked after"
cp "$here/root/etc/poise/poised.conf" /etc/poise/poised.conf
systemctl disable --now -q poised poise-logger
useradd -m newcomer
set_up() { SUDO_USER=newcomer poise-ctl setup --yes >/tmp/setup.log 2>&1 </dev/null || { cat /tmp/setup.log; return 1; }; }
check "setup goes through" set_up
sed 's/^/        /' /tmp/setup.log
check "the scale has its section, behind what stood there" bash -c "grep -q '^port     = usb:1209:0001:RIG-USB-SCALE' \
    /etc/poise/poised.conf && grep -q 'The configuration of poised' /etc/poise/poised.conf"
check "the newcomer is in the group" bash -c 'id -nG newcomer | grep -qw poise'
enabled() { systemctl is-enabled -q poised && systemctl is-active -q poised && systemctl is-enabled -q poise-logger \
    && systemctl is-active -q poise-logger; }
check "both services run, and start with the machine" await enabled
well() { as newcomer poise-ctl doctor; }
check "the doctor finds nothing" await well
finds() { ! as "$1" poise-ctl doctor >/tmp/doctor.log 2>&1 && grep -A3 WRONG /tmp/doctor.log && grep -q "$2" /tmp/doctor.log; }
check "who is not in the group learns it" finds stranger 'usermod -aG poise stranger'
usbctl scale unplug
check "a scale that is pulled out is missed" await finds newcomer 'is not there; plug it in'
usbctl scale plug
check "and well again when it is back" await well
systemctl stop poise-logger
check "a logger that does not run is missed" await finds newcomer 'enable --now poise-logger'
sed 's/^/        /' /tmp/doctor.log
systemctl stop poised
check "and so is the daemon" await finds newcomer 'enable --now poised'
systemd-analyze security poised poise-logger --no-pager 2>/dev/null | grep -i overall
systemctl stop poise-logger
journalctl -b --no-pager | grep -iE 'audit.*SECCOMP|status=31' | head -3
echo "$passed passed, $failed failed"
[ $failed = 0 ]
