#!/bin/sh
# installed.sh BUILD COMPILER FLAGS: what is installed serves a stranger's program: headers, shared and static library, the
# pkg-config file; nothing but what the headers declare is visible; every program has its manual page.
set -eu
build=$1 compiler=$2 flags=$3
folder=$(mktemp -d "${TMPDIR:-/tmp}/poise-installed-XXXXXX")
trap 'rm -rf "$folder"' EXIT
DESTDIR=$folder cmake --install "$build" >"$folder/log" || { cat "$folder/log"; exit 1; }
pc=$(find "$folder" -name poise.pc)
# as if / were the folder that it was installed into
prefix=$(sed -n 's/^prefix=//p' "$pc")
sed -i "s|^prefix=.*|prefix=$folder$prefix|; s|^libdir=|libdir=$folder|; s|^includedir=|includedir=$folder|" "$pc"
export PKG_CONFIG_PATH="${pc%/*}"
cat >"$folder/cup.c" <<'PROGRAM'
#include <poise/brew.h>
#include <poise/decimal.h>
#include <stdio.h>
int main(void)
{
    struct decimal shown;
    if (decimal_parse("199.25", 6, &shown) != 0)
        return 1;
    printf("%.6f\n", extraction_in_cup_pct(1.40, decimal_to_double(shown), 15.0));
    return 0;
}
PROGRAM
# the case of the mass balance, computed by hand: 1.40 x 199.25 / 15 = 18.596667
# shellcheck disable=SC2046,SC2086  # words on purpose
$compiler $flags -D_GNU_SOURCE -o "$folder/shared" "$folder/cup.c" $(pkg-config --cflags --libs poise)
library=$(pkg-config --variable=libdir poise)
[ "$(LD_LIBRARY_PATH=$library "$folder/shared")" = 18.596667 ]
LD_LIBRARY_PATH=$library ldd "$folder/shared" | grep -q "libpoise.so.[0-9]* => $library"
# shellcheck disable=SC2046,SC2086
$compiler $flags -D_GNU_SOURCE -o "$folder/static" "$folder/cup.c" $(pkg-config --cflags poise) "$library/libpoise.a" \
    $(pkg-config --static --libs-only-l poise | sed 's/-lpoise//')
[ "$("$folder/static")" = 18.596667 ]

nm -D --defined-only "$library/libpoise.so" | awk '$2 ~ /[TDRB]/ {print $3}' | grep -v '^__\|^_end\|^_edata' |
    while read -r symbol; do
        grep -rqw "$symbol" "$folder$prefix/include/poise" || { echo "$symbol is visible and in no header"; exit 1; }
    done
for program in "$folder$prefix"/bin/*; do
    name=${program##*/}
    find "$folder$prefix/share/man" -name "$name.[18]*" | grep -q . || { echo "$name has no manual page"; exit 1; }
done
echo "installed: $(find "$folder$prefix/include/poise" -name '*.h' | wc -l) headers, $(nm -D --defined-only \
    "$library/libpoise.so" | grep -c ' T ') functions"
