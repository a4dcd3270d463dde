#!/bin/sh
# reproducible.sh SOURCE OUT: the same bytes from the same source.  The tree is built twice, in two places and without a
# compiler's cache, and installed; every file must be the same.  Then the packages are made of both, and they must be the
# same too: OUT has them afterwards.
set -eu
source=$1 out=$2
folder=$(mktemp -d "${TMPDIR:-/tmp}/poise-reproducible-XXXXXX")
trap 'rm -rf "$folder"' EXIT
unset CMAKE_C_COMPILER_LAUNCHER
SOURCE_DATE_EPOCH=$(git -C "$source" log -1 --format=%ct 2>/dev/null || echo 1796000000)
export CCACHE_DISABLE=1 SOURCE_DATE_EPOCH
for place in one another/place; do
    mkdir -p "$folder/$place"
    (cd "$source" && tar -cf - --exclude='./build*' --exclude=./.git .) | tar -xf - -C "$folder/$place"
    cmake -G Ninja -S "$folder/$place" -B "$folder/$place/build" -DCMAKE_BUILD_TYPE=Release -DPOISE_TESTS=OFF \
        -DCMAKE_INSTALL_PREFIX=/usr >"$folder/log" 2>&1 || { cat "$folder/log"; exit 1; }
    cmake --build "$folder/$place/build" -j 2 >"$folder/log" 2>&1 || { tail -30 "$folder/log"; exit 1; }
    DESTDIR=$folder/$place/root cmake --install "$folder/$place/build" >/dev/null
    (cd "$folder/$place/build" && cpack -G DEB >"$folder/log" 2>&1) || { cat "$folder/log"; exit 1; }
done
diff -r "$folder/one/root" "$folder/another/place/root"
if grep -rl "$folder" "$folder/one/root"; then
    echo "these name the folder that they were built in"
    exit 1
fi
mkdir -p "$out"
rm -f "$out"/*.deb
for package in "$folder"/one/build/*.deb; do
    cmp "$package" "$folder/another/place/build/${package##*/}"
    cp "$package" "$out"
done
echo "the same: $(find "$folder/one/root" -type f | wc -l) files, $(find "$out" -name '*.deb' | wc -l) packages"
