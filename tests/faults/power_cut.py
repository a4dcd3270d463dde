"""What a cut of the power leaves of the files of a folder: power_cut.so has kept what each write replaced and what was
synced since; here the writes that were not are undone, all of them, or a random half of their pages."""
import collections
import os
import struct

HEAD = struct.Struct("=7Q")     # as in power_cut.c
WRITTEN, SYNC_BEGINS, SYNC_ENDS = range(3)
PAGE = 4096                     # what a disk takes at once, or not

Record = collections.namedtuple("Record", "inode offset old_size new_size what old new")


def read_records(path):
    data, at, records = path.read_bytes(), 0, []
    while at < len(data):
        inode, offset, old_size, new_size, old_length, new_length, what = HEAD.unpack_from(data, at)
        at += HEAD.size
        old, new = data[at:at + old_length], data[at + old_length:at + old_length + new_length]
        at += old_length + new_length
        records.append(Record(inode, offset, old_size, new_size, what, old, new))
    return records


def unsynced(records):
    """Those that no sync which came back has covered; that covers what was written before it began."""
    ends = max((place for place, record in enumerate(records) if record.what == SYNC_ENDS), default=-1)
    begins = max((place for place, record in enumerate(records[:ends + 1]) if record.what == SYNC_BEGINS), default=-1)
    return [record for record in records[begins + 1:] if record.what == WRITTEN]


def undo(file, record):
    os.pwrite(file, record.old, record.offset)
    os.ftruncate(file, record.old_size)


def keep_some(file, record, dice):
    """Page by page, as a disk that was interrupted."""
    at, end = record.offset, record.offset + len(record.new)
    if not record.new and dice.random() < 0.5:
        os.ftruncate(file, record.new_size)
    while at < end:
        until = min(end, (at // PAGE + 1) * PAGE)
        if dice.random() < 0.5:
            os.pwrite(file, record.new[at - record.offset:until - record.offset], at)
        at = until


def cut(folder, paths, dice, half):
    """The programs that wrote are dead.  Undoes what these records hold; how many writes that were."""
    files = {path.stat().st_ino: path for path in folder.iterdir() if path.is_file()}
    undone = 0
    for path in paths:
        of_file = collections.defaultdict(list)
        for record in read_records(path):
            of_file[record.inode].append(record)
        for inode, records in of_file.items():
            lost = unsynced(records)
            if inode not in files or files[inode].name.endswith("-shm"):     # what is shared memory anyone makes again
                continue
            with open(files[inode], "r+b") as file:
                for record in reversed(lost):
                    undo(file.fileno(), record)
                for record in lost if half else []:
                    keep_some(file.fileno(), record, dice)
            undone += len(lost)
        path.unlink()
    return undone
