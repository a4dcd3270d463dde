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
echo "# on a network, by README's recipe, and a site that follows the bench"
address() {     # ALIAS ADDRESS: one more on the loop (SIOCSIFADDR: the machine has no ip command)
    python3 -c 'import fcntl, socket, struct, sys
fcntl.ioctl(socket.socket(socket.AF_INET, socket.SOCK_DGRAM), 0x8916, struct.pack(
    "16sHH4s8x", sys.argv[1].encode(), socket.AF_INET, 0, socket.inet_aton(sys.argv[2])))' "$@"
}
address lo:1 192.168.7.20; address lo:2 10.9.8.7
key() { runuser -u "$1" -- poise-ctl keys new "${@:2}" 2>/dev/null; }      # NAME FILE [--bench KEY]: prints its public half
bench=$(key poise /var/lib/poise/bench.key)
far=$(key member /home/member/far.key --bench "$bench")
site=$(key poise /var/lib/poise/site.key --bench "$bench")
cat >/etc/poise/poised.conf <<CONFIGURATION
[bench]
name    = pier
bus     = ipc:///run/poise/bus, tcp://192.168.7.20:7401, tcp://10.9.8.7:7401
control = ipc:///run/poise/control, tcp://192.168.7.20:7402, tcp://10.9.8.7:7402
[keys]
secret = /var/lib/poise/bench.key
[client far]
key  = $far
role = read
[client site]
key  = $site
role = read
CONFIGURATION
closed() { ! systemctl start poised && journalctl -u poised -b --no-pager | tail -5 | grep -q 'cannot bind'; }
check "until the network is allowed there is none, and one sentence" closed
systemctl stop poised; systemctl reset-failed poised
mkdir -p /etc/systemd/system/poised.service.d /etc/systemd/system/poise-site.service.d
cp "$here/network.conf" /etc/systemd/system/poised.service.d/override.conf
cp "$here/network.conf" /etc/systemd/system/poise-site.service.d/override.conf
systemctl daemon-reload
check "with what README adds it starts" systemctl start poised
ask() { as member poise-ctl --control "tcp://$1:7402" --key /home/member/far.key status; }
check "a client with its key is let in" await ask 192.168.7.20
barred() { ! ask 10.9.8.7; }
check "from another network nobody is, with the same key" barred
logs() { as member timeout 20 poise-logger --store /tmp/far.db --bench \
    tcp://192.168.7.20:7401,tcp://192.168.7.20:7402,/home/member/far.key; } 2>/tmp/far.log
logs & check "a logger far away keeps its brews" await grep -q 'keeping the brews of pier' /tmp/far.log
cat >/etc/poise/site.conf <<CONFIGURATION
[site]
bus = ipc:///run/poise-site/bus
[follow kiosk]
bus = tcp://192.168.7.20:7401
key = /var/lib/poise/site.key
CONFIGURATION
check "a site starts as a service" systemctl start poise-site
live() { as member timeout 10 poise-ctl --bus ipc:///run/poise-site/bus watch --json | grep -q -m1 'reading/kiosk/'; }
check "and passes on what the bench's scale shows, under the site's name" await live
systemctl stop poise-site
systemd-analyze security poised poise-logger poise-site --no-pager 2>/dev/null | grep -i overall
systemctl stop poise-logger
journalctl -b --no-pager | grep -iE 'audit.*SECCOMP|status=31' | head -3
echo "$passed passed, $failed failed"
[ $failed = 0 ]
