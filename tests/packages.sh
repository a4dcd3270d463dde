#!/bin/bash
# packages.sh PACKAGES: the Debian packages on a bare Debian 12, in a debootstrap folder: they install, run, are upgraded
# with data and configuration kept, are removed clean and purged; lintian finds no error.  PACKAGES is the folder that
# reproducible.sh fills.  Needs root, debootstrap and a mirror of Debian; without them it is skipped (status 77).
set -u
packages=$1 passed=0 failed=0
skip() { echo "skipped: $*"; exit 77; }
[ "$(id -u)" = 0 ] || skip "only root can fill a debootstrap folder"
command -v debootstrap >/dev/null || skip "debootstrap is not installed"
ls "$packages"/poise_*.deb >/dev/null 2>&1 || skip "no packages in $packages: tests/reproducible.sh makes them"
folder=$(mktemp -d "${TMPDIR:-/tmp}/poise-packages-XXXXXX")
bare=$folder/bare
started=
finish() {
    for process in $started; do kill "$process" 2>/dev/null; done
    wait
    umount "$bare/proc" 2>/dev/null
    rm -rf "$folder"
}
trap finish EXIT

check() {       # check WORDS COMMAND...
    local words=$1
    shift
    if "$@" >"$folder/said" 2>&1; then
        echo "ok      $words"
        passed=$((passed + 1))
    else
        echo "FAILED  $words"
        sed 's/^/        /' "$folder/said" | tail -8
        failed=$((failed + 1))
    fi
}
await() {       # until it succeeds, for at most 20 s
    local left=100
    until "$@"; do left=$((left - 1)); [ $left -gt 0 ] || return 1; sleep 0.2; done
}
in_there() { chroot "$bare" env DEBIAN_FRONTEND=noninteractive LC_ALL=C.UTF-8 "$@"; }
as() { chroot "$bare" /usr/sbin/runuser -u "$1" -- "${@:2}"; }
never() { ! "$@"; }
gone() { [ ! -e "$bare$1" ]; }

if command -v lintian >/dev/null; then
    check "lintian finds no error" lintian --fail-on error "$packages"/*.deb
fi
mirror=$(sed -n 's/^deb[^h]*\(http[^ ]*\) bookworm main.*/\1/p' /etc/apt/sources.list /etc/apt/sources.list.d/*.list \
    2>/dev/null | head -1)
debootstrap --variant=minbase bookworm "$bare" "${mirror:-http://deb.debian.org/debian}" >"$folder/log" 2>&1 ||
    skip "debootstrap: $(tail -1 "$folder/log")"
cp /etc/resolv.conf "$bare/etc/" 2>/dev/null
cp /etc/apt/apt.conf.d/*proxy* "$bare/etc/apt/apt.conf.d/" 2>/dev/null
mount -t proc proc "$bare/proc" 2>/dev/null
mkdir "$bare/packages"
cp "$packages"/*.deb "$bare/packages"

echo "# installed"
in_there sh -c 'apt-get install -y -qq --no-install-recommends /packages/poise_*.deb /packages/libpoise1_*.deb' \
    >"$folder/apt" 2>&1
check "poise and what it needs" in_there dpkg-query -W -f '${db:Status-Abbrev}' poise
check "the user poise is made" in_there id poise
check "every program runs" in_there sh -c 'for p in poised poise-ctl poise-timer poise-logger poise-report poise-taste poise-site; do
    $p --version >/dev/null || exit 1; done'
check "the configuration that came along is good" in_there poised --check-config
check "manual, completion, licence, examples and both units are there" in_there test -s /etc/poise/poised.conf \
    -a -s /usr/share/bash-completion/completions/poise-ctl -a -s /usr/share/doc/poise/copyright \
    -a -x /usr/share/doc/poise/examples/lamp.sh -a -s /lib/systemd/system/poised.service \
    -a -s /lib/systemd/system/poise-logger.service -a -s /lib/udev/rules.d/70-poise.rules

echo "# run, as the units run it"
in_there useradd -G poise member
in_there useradd visitor
in_there install -d -o poise -g poise -m 750 /run/poise /var/lib/poise
start_both() {
    chroot --userspec=poise:poise "$bare" env RUNTIME_DIRECTORY=/run/poise STATE_DIRECTORY=/var/lib/poise \
        sh -c 'umask 007; exec poised' >>"$folder/poised.log" 2>&1 &
    poised=$!
    chroot --userspec=poise:poise "$bare" env STATE_DIRECTORY=/var/lib/poise sh -c 'umask 027; exec poise-logger' \
        >>"$folder/logger.log" 2>&1 &
    logger=$!
    started="$poised $logger"
}
stop_both() {
    kill "$poised" "$logger"
    wait "$poised" "$logger"
    started=
}
brew() {        # a brew by order, until it is in the store
    as member poise-ctl begin && as member poise-ctl mark pour && as member poise-ctl end || return 1
    await sh -c "[ \$(chroot '$bare' /usr/sbin/runuser -u member -- poise-ctl brews --json | wc -l) = $1 ]"
}
start_both
check "a member of the group reaches the bench" await as member poise-ctl status
check "nobody else does, and learns what to do" never as visitor poise-ctl status
check "and the sentence is there" sh -c "chroot '$bare' /usr/sbin/runuser -u visitor -- poise-ctl status 2>&1 |
    grep 'join the group poise'"
check "a brew by order is saved" brew 1
check "the report reads it" as member poise-report

echo "# upgraded"
stop_both
echo '; a person wrote this' >>"$bare/etc/poise/poised.conf"
for package in "$bare"/packages/poise_*.deb "$bare"/packages/libpoise1_*.deb; do
    dpkg-deb -R "$package" "$folder/newer"
    sed -i 's/^Version: .*/Version: 99.0-1/' "$folder/newer/DEBIAN/control"
    sed -i 's/libpoise1 (= [^)]*)/libpoise1 (= 99.0-1)/' "$folder/newer/DEBIAN/control"
    dpkg-deb -b --root-owner-group "$folder/newer" "$bare/packages/newer-$(basename "$package")" >/dev/null
    rm -rf "$folder/newer"
done
check "to a newer version" in_there sh -c 'dpkg -i --force-confdef --force-confold /packages/newer-*.deb'
check "what a person wrote stays" grep -q 'a person wrote this' "$bare/etc/poise/poised.conf"
start_both
check "and the brew is there still" await brew 2
stop_both

echo "# removed"
check "poise is removed" in_there apt-get remove -y -qq poise libpoise1
check "no program is left" gone /usr/bin/poised
check "no unit is left" gone /lib/systemd/system/poised.service
check "the brews and the configuration are" test -s "$bare/var/lib/poise/store.db" -a -s "$bare/etc/poise/poised.conf"
check "purged, nothing is" in_there sh -c 'dpkg --purge poise libpoise1 && [ ! -e /var/lib/poise ] && [ ! -e /etc/poise ]'
[ $failed = 0 ] || tail -n 5 "$folder/apt" "$folder/poised.log" "$folder/logger.log"
echo "$passed passed, $failed failed"
[ $failed = 0 ]
