#!/bin/sh
# Builds the Dunlin's programs with cc65 (Debian's 2.19 makes the shipped bytes).
#
#   roms/build.sh            writes NAME.bin and NAME.lbl of every program beside its source
#   roms/build.sh fill keys  only these
#   roms/build.sh --check    builds elsewhere and fails if a shipped file differs
set -eu

here=$(cd "$(dirname "$0")" && pwd)
assembly="clock fill log notice rule30 stars tides"
c="keys waves"

check=no
if [ "${1:-}" = --check ]; then
    check=yes
    shift
fi
wanted=${*:-$assembly $c}
for name in $wanted; do
    case " $assembly $c " in
        *" $name "*) ;;
        *) echo "build.sh: $name: no such program; there are: $assembly $c" >&2; exit 2 ;;
    esac
done
for tool in ca65 cc65 ld65; do
    if ! command -v "$tool" >/dev/null; then
        echo "build.sh: $tool not found; install cc65 (Debian: apt install cc65)" >&2
        exit 2
    fi
done

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$here"   # so that no path of this machine gets into an object file

assemble() {   # source object [option...]
    source=$1 object=$2
    shift 2
    ca65 -g --cpu 65C02 "$@" -o "$work/$object" "$source"
}

for part in font sine panel sign decimal start; do
    assemble "$part.s" "$part.o"
done
assemble start.s start-c.o -D C_RUNTIME
parts="font.o sine.o panel.o sign.o decimal.o"
(cd "$work" && ar65 a parts.lib $parts)

for name in $wanted; do
    case " $c " in
        *" $name "*)
            # -Cl: local variables at fixed places, not on the stack; nothing here recurses.
            cc65 -g -t none --cpu 65c02 -Oirs -Cl -o "$work/$name.s" "$name.c"
            (cd "$work" && ca65 -g --cpu 65C02 -o "$name.o" "$name.s")
            start=start-c.o
            runtime=none.lib
            ;;
        *)
            assemble "$name.s" "$name.o"
            start=start.o
            runtime=
            ;;
    esac
    ld65 -C dunlin.cfg -o "$work/$name.bin" -Ln "$work/$name.unsorted" \
        "$work/$start" "$work/$name.o" "$work/parts.lib" $runtime
    # Left out: names with two underscores, which are the linker's own (sizes, not places), and
    # L0123, which are the compiler's (places inside a routine).
    grep -v -E ' \.(__.*|L[0-9A-F]{4})$' "$work/$name.unsorted" | LC_ALL=C sort -u >"$work/$name.lbl"
done

status=0
for name in $wanted; do
    for file in "$name.bin" "$name.lbl"; do
        if [ $check = no ]; then
            cp "$work/$file" "$file"
        elif ! cmp -s "$work/$file" "$file"; then
            echo "build.sh: roms/$file is not what its source gives; run roms/build.sh" >&2
            status=1
        fi
    done
done
if [ $status = 1 ]; then
    echo "build.sh: built with $(ca65 --version 2>&1), shipped with V2.18 - Debian 2.19-1" >&2
fi
[ $check = no ] || [ $status = 1 ] || echo "roms: every shipped file is what its source gives: $wanted"
exit $status
