#!/usr/bin/env python3
"""Proves the hash chain of a siskin journal with nothing but Python's standard library.

It is written from docs/journal.md and shares no code with siskin: a second opinion.

usage: verify_journal.py JOURNAL.DB
exit codes: 0 whole, 1 broken, 3 cannot be opened
"""

import hashlib
import json
import sqlite3
import sys


def broken(seq, what):
    print(f"broken at entry {seq}: {what}")
    sys.exit(1)


def main(path):
    try:
        journal = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        entries = journal.execute("SELECT seq, text, hash FROM event ORDER BY seq")
    except sqlite3.Error as error:
        print(f"{path}: {error}", file=sys.stderr)
        sys.exit(3)
    count, head = 0, "0" * 64
    for seq, text, stored in entries:
        count += 1
        if seq != count:
            broken(count, "it is missing")
        head = hashlib.sha256(f"{head}\n{text}".encode()).hexdigest()
        if head != stored:
            broken(seq, "the hash does not match")
        fields = json.loads(text)
        if len(fields) != 8 or fields[0] != seq:
            broken(seq, "the text is not that of this entry")
    print(f"{count} entries, head {head}")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    main(sys.argv[1])
