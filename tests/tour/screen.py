"""A terminal's screen, as `tmux capture-pane -p -e` gives it, as SVG.  Blocks are drawn as rectangles, so that they meet
whatever the font does; everything else is text in its cell."""
import re
from xml.sax.saxutils import escape

CELL_W, CELL_H, BASE = 8, 16, 12      # whole numbers, so that no seam shows between blocks
FORE, BACK = "#d8dde3", "#12161b"
PALETTE = ["#2b3139", "#d9645e", "#7fb069", "#d8a24a", "#5f93c9", "#a980c0", "#5fa8a8", "#c8ced6",
           "#6b747f", "#f08a84", "#a3d18b", "#f0c273", "#8ab8e6", "#c9a3dd", "#86cccc", "#ffffff"]
# share of the cell: left, top, width, height
BLOCKS = {"█": (0, 0, 1, 1), "▀": (0, 0, 1, .5), "▄": (0, .5, 1, .5), "▌": (0, 0, .5, 1), "▐": (.5, 0, .5, 1),
          **{chr(0x2590 - n): (0, 0, n / 8, 1) for n in range(1, 8)},
          **{chr(0x2580 + n): (0, 1 - n / 8, 1, n / 8) for n in range(1, 8)}}
SHADES = {"░": .25, "▒": .5, "▓": .75}


def colour(codes, at):
    """The colour behind 38 or 48, and how many codes it took."""
    if codes[at:at + 1] == [5]:
        number = codes[at + 1]
        if number < 16:
            return PALETTE[number], 2
        if number > 231:
            return "#" + f"{8 + 10 * (number - 232):02x}" * 3, 2
        number -= 16
        return "#" + "".join(f"{0 if part == 0 else 55 + 40 * part:02x}" for part in
                             (number // 36, number // 6 % 6, number % 6)), 2
    return "#" + "".join(f"{part:02x}" for part in codes[at + 1:at + 4]), 4


def select(style, codes):
    """Select graphic rendition (ECMA-48, 8.3.117)."""
    at = 0
    while at < len(codes):
        code = codes[at]
        at += 1
        if code == 0:
            style.clear()
        elif code in (1, 2, 3, 4, 7):
            style[code] = True
        elif code in (22, 23, 24, 27):
            for off in (1, 2) if code == 22 else (code - 20,):
                style.pop(off, None)
        elif code in (38, 48):
            style["fore" if code == 38 else "back"], took = colour(codes, at)
            at += took
        elif code in (39, 49):
            style.pop("fore" if code == 39 else "back", None)
        elif 30 <= code <= 37 or 90 <= code <= 97:
            style["fore"] = PALETTE[code - 30 if code < 90 else code - 82]
        elif 40 <= code <= 47 or 100 <= code <= 107:
            style["back"] = PALETTE[code - 40 if code < 100 else code - 92]


def cells(line, style):
    """(character, style) of one line."""
    for escape_codes, character in re.findall(r"\x1b\[([0-9;]*)m|(.)", line):
        if character:
            yield character, dict(style)
        else:
            select(style, [int(code or 0) for code in escape_codes.split(";")])


def draw(text, columns, title):
    lines, style, parts = text.rstrip("\n").split("\n"), {}, []
    for row, line in enumerate(lines):
        run = []                        # text that needs no cell of its own: a word in one style
        for column, (character, look) in enumerate(cells(re.sub(r"\x1b\(B|\x0f|\x0e", "", line), style)):
            fore, back = look.get("fore", FORE), look.get("back")
            if look.get(7):
                fore, back = back or BACK, fore
            x, y = column * CELL_W, row * CELL_H
            if back:
                parts.append(f'<rect x="{x:.1f}" y="{y}" width="{CELL_W}" height="{CELL_H}" fill="{back}"/>')
            block = BLOCKS.get(character) or (SHADES.get(character) and (0, 0, 1, 1))
            if block:
                left, top, width, height = block
                parts.append(f'<rect x="{x + left * CELL_W:.1f}" y="{y + top * CELL_H:.1f}" width="{width * CELL_W:.2f}" '
                             f'height="{height * CELL_H:.2f}" fill="{fore}" fill-opacity="{SHADES.get(character, 1)}"/>')
            elif character != " ":
                words = (fore, bool(look.get(1)), bool(look.get(2)))
                if run and run[-1][1] == words and run[-1][0] + len(run[-1][2]) == column:
                    run[-1][2].append(character)
                else:
                    run.append([column, words, [character]])
        for column, (fore, bold, dim), characters in run:
            look = (' font-weight="bold"' if bold else "") + (' opacity="0.7"' if dim else "")
            parts.append(f'<text x="{column * CELL_W:.1f}" y="{row * CELL_H + BASE}" fill="{fore}" '
                         f'textLength="{len(characters) * CELL_W:.1f}"{look}>{escape("".join(characters))}</text>')
    width, height = columns * CELL_W + 16, len(lines) * CELL_H + 16
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height}" width="{width:.0f}" '
            f'height="{height}" role="img"><title>{escape(title)}</title><rect width="100%" height="100%" fill="{BACK}"/>'
            f'<g transform="translate(8 8)" font-family="monospace" font-size="13" xml:space="preserve">'
            + "\n".join(parts) + "</g></svg>\n")
