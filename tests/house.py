#!/usr/bin/python3
"""Holds the arrows of the house: which folder may include which, and that no include runs in a circle.

A room is a folder.  It may include its own files, the public headers in include/poise, and what the table allows.  A
header called ..._parts.h is its own room's alone.  `tests/house.py` prints what is wrong, and with --count the figures.
"""
import pathlib
import re
import sys

TOP = pathlib.Path(__file__).resolve().parent.parent

LIB = {"base": [], "wire": ["base"], "plan": ["base"], "store": ["base", "wire", "plan"], "science": ["base", "plan"],
       "view": ["base", "wire", "plan", "store", "science"], "tasting": ["base", "science", "store"]}
DAEMON = {"config": ["tracker"], "instruments": ["config"], "tracker": [],
          "stations": ["tracker", "config"], "journal": [], "bench": ["stations", "journal", "config", "instruments"],
          "tools": ["stations", "config", "journal"], "site": ["bench", "config"]}

# public headers of lib belong to the room that has the .c file of that name
ROOM_OF = {path.stem: path.parent.name for path in TOP.glob("lib/*/*.c")}

# arrows that point the wrong way, each to be turned round: (from, to)
STILL = set()


def sources():
    for folder in ("include", "lib", "drivers", "daemon", "clients"):
        for path in sorted((TOP / folder).rglob("*.[ch]")):
            yield path


def includes(path):
    """(the path as it stands in the include, the file it means or None: not ours)"""
    for name in re.findall(r'^#include "([^"]+)"', path.read_text(), re.M):
        tops = [path.parent, TOP / "include", TOP / "daemon", TOP / "drivers"]
        tops += [TOP / "clients" / path.relative_to(TOP / "clients").parts[0]] if "clients" in path.parts else []
        yield name, next((top / name for top in tops if (top / name).exists()), None)


def place(path):
    """("lib", "wire"), ("daemon", "tracker"), ("include", ""), ("clients", "poise-timer") ..."""
    parts = path.resolve().relative_to(TOP).parts
    return parts[0], parts[1] if len(parts) > 2 else ""


def allowed(here, there, path):
    (tree, room), (to_tree, to_room) = here, there
    if here == there:
        return True
    if to_tree == "include":
        if tree != "lib":
            return True
        owner = ROOM_OF.get(path.stem)
        return owner is None or owner == room or owner in reach(LIB, room)
    if tree == "lib" or tree == "include":
        return False
    if tree == "drivers":
        return to_tree == "drivers"
    if tree == "daemon":
        if to_tree == "drivers":
            return room in ("instruments", "config", "tools")
        return to_tree == "daemon" and (room == "" or to_room == "" or to_room in DAEMON.get(room, []))
    return False


def reach(table, room):
    found = set()
    for other in table[room]:
        found |= {other} | reach(table, other)
    return found


def wrong():
    for path in sources():
        here = place(path)
        for name, target in includes(path):
            if target is None:
                yield f"{path.relative_to(TOP)}: {name} is nowhere"
                continue
            there = place(target)
            if not allowed(here, there, target) and (here, there) not in STILL:
                yield f"{path.relative_to(TOP)} ({'/'.join(here)}) must not include {name} ({'/'.join(there)})"
            if "findings" in path.parts and {"words", "forms"} & set(target.parts):
                yield f"{path.relative_to(TOP)}: findings know neither words nor forms, but includes {name}"
            if here != there and name.endswith("_parts.h"):
                yield f"{path.relative_to(TOP)}: {name} is private to {'/'.join(there)}"


def circles():
    graph = {path.resolve(): [target.resolve() for _, target in includes(path) if target] for path in sources()}
    state, found = {}, []

    def visit(path, trail):
        state[path] = "open"
        for target in graph.get(path, []):
            if state.get(target) == "open":
                found.append(" -> ".join(str(p.relative_to(TOP)) for p in trail[trail.index(target):] + [target]))
            elif target not in state:
                visit(target, trail + [target])
        state[path] = "done"

    for path in graph:
        if path not in state:
            visit(path, [path])
    return found


# rooms in which also no file calls one that calls it back: what lies below is given whom to call
LAYERED = ("daemon/instruments", "lib/view", "clients/poise-timer")


def call_circles(room):
    """Circles of files that call each other's functions."""
    texts = {path: re.sub(r"/\*.*?\*/|\"(?:[^\"\\\\]|\\\\.)*\"", "", path.read_text(), flags=re.S)
             for path in sorted((TOP / room).glob("*.c"))}
    home = {name: path for path, text in texts.items()
            for name in re.findall(r"^(?!static)[a-z][a-z0-9_ ]*[ *]([a-z0-9_]+)\([^;]*?\)\n\{", text, re.M)}
    graph = {path: {home[name] for name in re.findall(r"\b([a-z0-9_]+)\(", text) if home.get(name, path) != path}
             for path, text in texts.items()}
    found, state = [], {}

    def visit(path, trail):
        state[path] = "open"
        for target in sorted(graph[path]):
            if state.get(target) == "open":
                found.append(" -> ".join(p.name for p in trail[trail.index(target):] + [target]))
            elif target not in state:
                visit(target, trail + [target])
        state[path] = "done"

    for path in graph:
        if path not in state:
            visit(path, [path])
    return found


if __name__ == "__main__":
    problems = list(wrong()) + [f"a circle of includes: {circle}" for circle in circles()]
    problems += [f"a circle of calls in {room}: {circle}" for room in LAYERED for circle in call_circles(room)]
    print("\n".join(problems))
    if "--count" in sys.argv:
        headers = list((TOP / "include").rglob("*.h"))
        public = sum(len(re.findall(r"^[a-z][^\n;{]*\([^;{]*\)[^;{]*;", header.read_text(), re.M)) for header in headers)
        print(f"{len(list(sources()))} files, {len(circles())} circles, {public} public declarations, {len(STILL)} "
              "arrows still to be turned")
    sys.exit(1 if problems else 0)
