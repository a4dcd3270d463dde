#!/bin/sh
# lamp.sh FILE: a lamp that glows when a brew is to be pressed: from ten seconds before the press is due, while there is
# time to reach for the plunger, until it is over.  FILE is the lamp: 1 is written into it for on and 0 for off, as into
# /sys/class/leds/NAME/brightness or a GPIO's value.  When to press is the timer's to know; this only reads its lines.
set -u
lamp=${1:?"usage: lamp.sh FILE, as /sys/class/leds/NAME/brightness"}

shine() {
    echo "$1" >"$lamp"
}
trap 'shine 0; kill $timer 2>/dev/null; rm -rf "$folder"' EXIT
trap 'exit 0' INT TERM HUP
folder=$(mktemp -d) || exit 1
mkfifo "$folder/lines"
poise-timer --plain >"$folder/lines" </dev/null &
timer=$!
shine 0
while read -r line; do
    case $line in
    *"ten seconds to the press"* | *" press begins"*) shine 1 ;;
    *" weigh begins"* | *" is done"* | *" is discarded"* | "Connection lost"*) shine 0 ;;
    esac
done <"$folder/lines"
