#!/usr/bin/env python3
"""Proves a siskin evidence packet with nothing but Python's standard library.

usage: python3 check.py [FOLDER]        (default: the folder it lies in)
exit codes: 0 everything holds, 1 something does not, 2 a file is missing or no such file

It shows that no file was changed since the packet was made, that the journal's chain is whole from
the first entry here to the last, that the raise and the settings are in it, and it works the figures
of case.json out again from samples.csv. It cannot show that the analyzer was right.
"""

import csv
import hashlib
import json
import sys
from datetime import datetime
from pathlib import Path


def no(what):
    print(f"NO: {what}")
    sys.exit(1)


def milliseconds(text):
    moment = datetime.fromisoformat(text.replace("Z", "+00:00"))
    return round(moment.timestamp() * 1000)


def check_manifest(folder):
    lines = (folder / "MANIFEST.sha256").read_text().splitlines()
    names = set()
    for line in lines:
        noted, name = line.split("  ", 1)
        names.add(name)
        if hashlib.sha256((folder / name).read_bytes()).hexdigest() != noted:
            no(f"{name} is not what the manifest says")
    wanted = {"cover.txt", "case.json", "settings.txt", "samples.csv", "journal.jsonl", "check.py"}
    if names != wanted:
        no(f"the manifest names {sorted(names)}")
    print(f"files: {len(lines)} as in the manifest")


def check_chain(folder, case):
    head, seq, entries, first, kept = "0" * 64, 0, 0, None, {}
    wanted = set(case["care_of_device_entries"]) | {case["settings_from_entry"]}
    raised = False
    with open(folder / "journal.jsonl", encoding="utf-8", newline="\n") as lines:
        for line in lines:
            line = line.rstrip("\n")
            if line.startswith('{"previous":'):
                if entries:
                    no("the chain begins anew in its midst")
                previous = json.loads(line)["previous"]
                head, seq = previous["hash"], previous["seq"]
                continue
            # {"entry":TEXT,"hash":"64 digits"}: the text is taken as it stands, never rendered again.
            start, end = len('{"entry":'), len(line) - len(',"hash":""}') - 64
            text, stored = line[start:end], json.loads(line)["hash"]
            head = hashlib.sha256(f"{head}\n{text}".encode()).hexdigest()
            seq += 1
            if head != stored:
                no(f"the chain is broken at entry {seq}")
            fields = json.loads(text)
            if fields[0] != seq:
                no(f"entry {seq} was recorded as entry {fields[0]}")
            if seq in wanted:
                kept[seq] = fields
            raised |= fields[1] == case["raised"] and fields[3:5] == ["alarm_raised", case["alarm"]]
            entries, first = entries + 1, first or seq
    if not raised:
        no("the raise of the alarm is not in the journal")
    if wanted - {None} - set(kept):
        no("an entry that is spoken of is not in the journal")
    if case["settings_from_entry"] is not None:
        settings = (folder / "settings.txt").read_text(encoding="utf-8").splitlines()
        recorded = kept[case["settings_from_entry"]][7]["settings"]
        if sorted(settings) != sorted(recorded):
            no("the settings are not those in the journal")
    print(f"journal: entries {first} to {seq} are one chain, head {head}")


def check_figures(folder, case):
    figures = case["figures"]
    if figures is None:
        print("figures: none are given")
        return
    start, end = milliseconds(figures["from"]), milliseconds(figures["to"])
    before = [(milliseconds(held["until"]), round(held["hold_s_max"] * 1000)) for held in figures["held_before"]]
    now = round(figures["hold_s_max"] * 1000)
    with open(folder / "samples.csv", encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["signal"] == case["signal"]]
    points = []
    for row in rows:
        measured = row["value"] != "" and "settling" not in row["reasons"].split()
        value = {"true": 1.0, "false": 0.0}.get(row["value"]) if measured else None
        value = float(row["value"]) if measured and value is None else value
        points.append((milliseconds(row["time"]), value, row["quality"] == "uncertain"))
    met, total, measured_ms, above_ms, uncertain_ms = [], 0.0, 0, 0, 0
    for index, (at, value, uncertain) in enumerate(points):
        if value is None:
            continue
        hold = next((hold for until, hold in before if at < until), now)
        following = points[index + 1][0] if index + 1 < len(points) else end
        begin, finish = max(at, start), min(following, at + hold, end)
        if start <= at < end or finish > begin:
            met.append(value)
        if finish > begin:
            total += value * (finish - begin)
            measured_ms += finish - begin
            uncertain_ms += finish - begin if uncertain else 0
            if figures["setpoint"] is not None and value > figures["setpoint"]:
                above_ms += finish - begin
    again = {
        "least": min(met, default=None),
        "greatest": max(met, default=None),
        "mean": total / measured_ms if measured_ms else None,
        "coverage": measured_ms / (end - start) if end > start else 0.0,
        "uncertain_s": uncertain_ms / 1000,
        "above_setpoint_s": above_ms / 1000 if figures["above_setpoint_s"] is not None else None,
    }
    for name, value in again.items():
        told = figures[name]
        same = told == value if None in (told, value) else abs(told - value) <= 1e-9 * max(1.0, abs(value))
        if not same:
            no(f"{name} is {told} in case.json, and {value} by the samples")
    print(f"figures: worked out again from {len(points)} samples, the same")


def main(folder):
    try:
        case = json.loads((folder / "case.json").read_text(encoding="utf-8"))
        check_manifest(folder)
        check_chain(folder, case)
        check_figures(folder, case)
    except OSError as error:
        print(error, file=sys.stderr)
        sys.exit(2)
    except (ValueError, KeyError, TypeError) as error:
        no(f"a file cannot be understood: {error!r}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
