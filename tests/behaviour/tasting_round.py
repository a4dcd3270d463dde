"""A blind tasting as people hold it, for the tests of poise-taste: brews in the store, a session, who answers what."""
import pathlib
import re

from cups import Cups

MEASURES = {"dose_g": 15.0, "water_g": 230.0, "beverage_g": 201.0}


def brews(bench, levels=(75, 180), each=2):
    """Weighed brews of an experiment; their names by level."""
    cups, names = Cups(bench), {}
    for level in levels:
        names[level] = [cups.add("ferry-steep", {"steep_s": level}, MEASURES) for _ in range(each)]
    cups.done()
    return names


def new(bench, name="round-1", *more, method="triangle", sets=3, samples=None, ok=True):
    """Sets a session up; what was printed.  Without warm-ups or rests, the key in a file."""
    for sample in samples or ("pier-20261125-001", "pier-20261125-003"):
        more = (*more, "--sample", sample)
    status, output, said = bench.run("poise-taste", "new", name, "--method", method, "--sets", sets, "--by-eye", "no",
                                     "--warm-up", "no", "--rest", 0, *more)
    assert not ok or status == 0, said
    return output if ok else said


def key(bench, name="round-1"):
    return (bench.folder / f"data/poise/keys/{name}.key").read_text()


def cups(bench, name="round-1"):
    """Set by set a list of (code, letter), out of the helper's key file."""
    text = key(bench, name)
    codes = re.findall(r"^set \d+ taster \d+(?: warm-up)? codes ([\d ]+)$", text, re.M)
    return [list(zip(row.split(), letters)) for row, letters in zip(codes, re.findall(r"^cups \d+ ([A-J]+)", text, re.M))]


def odd(pairs):
    letters = [letter for _, letter in pairs]
    return next(code for code, letter in pairs if letters.count(letter) == 1)


def seal(output):
    """The hash to note, as `new` printed it in short."""
    return re.search(r"\b([0-9a-f]{4}( [0-9a-f]{4}){3})\b", output).group(1)


def answer(bench, answers, name="round-1", *more, sure="s"):
    """Types an answer to each of these sets at a taster's terminal and confirms it."""
    taster = bench.start("poise-taste", "answer", name, *more, terminal=(24, 80))
    for text in answers:
        taster.wait_text("Your answer")
        taster.output = b""
        taster.type(f"{text}\n")
        taster.wait_text("(s/g)")
        taster.type(f"{sure}\n")
        taster.wait_text("(y/n)")
        taster.type("y\n")
        taster.wait_text("Sealed")
        taster.wait_text("Words: ")
        taster.type("\n")
    return taster


def whole(bench, name="round-1", right=None, **more):
    """A session set up and answered: all right, or the first so many."""
    output = new(bench, name, **more)
    sets = cups(bench, name)
    wrong = [next(code for code, _ in pairs if code != odd(pairs)) for pairs in sets]
    good = len(sets) if right is None else right
    assert answer(bench, [odd(pairs) for pairs in sets[:good]] + wrong[good:], name).wait() == 0
    return output


def copy_store(bench, to):
    """The store as one file, its log folded in."""
    import sqlite3
    source, target = sqlite3.connect(bench.store), sqlite3.connect(to)
    source.backup(target)
    source.close()
    target.close()
    return pathlib.Path(to)
