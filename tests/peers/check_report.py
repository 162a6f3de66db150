#!/usr/bin/env python3
"""Recomputes every figure of a siskin report from the raw export, with Python's standard library alone.

It is written from docs/report.md and shares no code with siskin: a second opinion. Gas days come from
zoneinfo, settings from the site file by tomllib, sums from math.fsum, hashes from hashlib.

usage: check_report.py REPORT.json SAMPLES.csv JOURNAL.jsonl SITE.toml (--day DATE | --month MONTH | --between)
  siskin report --json ...          > REPORT.json
  siskin export                     > SAMPLES.csv
  siskin journal --export           > JOURNAL.jsonl
With --day and --month the time itself is recomputed, with --between the report's is taken.

Prints how many figures agree. Exit codes: 0 all do, 1 some do not (each is named), 2 wrong usage.
"""

import bisect
import csv
import datetime
import hashlib
import json
import math
import re
import sys
import tomllib
import zoneinfo
from collections import defaultdict

HOUR_MS = 3_600_000
LOOK_BACK_MS = 24 * HOUR_MS
WORK = {"function_check_begun", "function_check_ended", "calibration_recorded", "sensor_changed", "note"}
# Reasons that leave a value, to be used with care (docs/history.md); settling samples are none at all.
UNCERTAIN = {
    "loop_out_of_range", "below_range", "above_range", "frozen", "line_noise", "check_overrun", "sensor_spent",
    "condition_uncertain",
}
DURATION = re.compile(r"(\d+(?:\.\d+)?)(ms|s|m|h|d|y)")
UNIT_MS = {"ms": 1, "s": 1000, "m": 60_000, "h": HOUR_MS, "d": 24 * HOUR_MS, "y": 365 * 24 * HOUR_MS}

agreed = 0
differences = []


def same(where, told, found):
    """Notes whether a figure is as it should be: numbers to nine digits, all else exactly."""
    global agreed
    if isinstance(told, float | int) and isinstance(found, float | int) and not isinstance(told, bool):
        fine = math.isclose(told, found, rel_tol=1e-9, abs_tol=1e-12)
    else:
        fine = told == found
    if fine:
        agreed += 1
    else:
        differences.append(f"{where}: siskin says {told!r}, recomputed {found!r}")


def ms_of(text):
    """Milliseconds since 1970 of an RFC 3339 time."""
    at = datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))
    return round((at - datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)) / datetime.timedelta(milliseconds=1))


def duration_ms(text):
    number, unit = DURATION.fullmatch(text).groups()
    return round(float(number) * UNIT_MS[unit])


class Settings:
    """What of the site file matters here."""

    def __init__(self, path):
        with open(path, "rb") as file:
            site = tomllib.load(file)
        self.zone = zoneinfo.ZoneInfo(site["site"].get("time_zone", "UTC"))
        self.day_start = datetime.time.fromisoformat(site["site"].get("gas_day_start", "09:00"))
        self.hold_ms, self.states, self.signals = {}, {}, []
        for device in site.get("device", []):
            for signal in device.get("signal", []):
                name = f"{device['id']}.{signal['id']}"
                self.signals.append(name)
                poll_ms = duration_ms(signal.get("poll_every", device.get("poll_every", "1s")))
                stale = signal.get("stale_after", device.get("stale_after"))
                self.hold_ms[name] = duration_ms(stale) if stale else max(3 * poll_ms, 3000)
                if signal["type"] == "bool":
                    self.states[name] = [0, 1]
                elif "states" in signal:
                    self.states[name] = [int(code) for code in signal["states"]]
        self.alarms = site.get("alarm", [])

    def begins(self, date):
        """When the gas day of a date begins; Python takes a time that the clocks show twice the first time."""
        return ms_of(datetime.datetime.combine(date, self.day_start, self.zone).astimezone(datetime.UTC).isoformat())


class Signal:
    """A signal's whole time, cut where something changes: (from, to, value or None, reasons)."""

    def __init__(self, samples, hold_ms, breaks, held_before=()):
        self.pieces = []
        self.samples = samples
        self.hold_ms, self.held_before = hold_ms, [(ms_of(h["until"]), round(h["held_for_s"] * 1000)) for h in held_before]
        for nth, (at, value, reasons) in enumerate(samples):
            end = samples[nth + 1][0] if nth + 1 < len(samples) else math.inf
            if value is not None and "settling" not in reasons:
                said = min(at + self.hold(at), end)
                self.pieces.append((at, said, value, reasons))
            else:
                said = min([b for b in breaks if b > at], default=math.inf)
                said = min(said, end)
                self.pieces.append((at, said, None, reasons or ["not_yet_read"]))
            if said < end:
                self.pieces.append((said, end, None, ["nothing_recorded"]))
        first = samples[0][0] if samples else math.inf
        self.pieces.insert(0, (-math.inf, first, None, ["nothing_recorded"]))
        self.begins = [piece[0] for piece in self.pieces]

    def hold(self, at):
        """How long a value counts that was read at a time: what was in force then."""
        return next((hold for until, hold in self.held_before if at < until), self.hold_ms)

    def within(self, start, end):
        for nth in range(bisect.bisect_right(self.begins, start) - 1, len(self.pieces)):
            begin, stop, value, reasons = self.pieces[nth]
            if begin >= end:
                break
            begin, stop = max(begin, start), min(stop, end)
            if begin < stop:
                yield begin, stop, value, reasons

    def figures(self, start, end):
        held = [(v, stop - begin) for begin, stop, v, _ in self.within(start, end) if v is not None]
        measured = sum(ms for _, ms in held)
        return {
            "min": min((v for v, _ in held), default=None),
            "mean": math.fsum(v * ms for v, ms in held) / measured if measured else None,
            "max": max((v for v, _ in held), default=None),
            "measured_s": measured / 1000,
            "coverage": measured / (end - start),
        }

    def time_s(self, start, end, counts):
        return sum(stop - begin for begin, stop, v, _ in self.within(start, end) if v is not None and counts(v)) / 1000

    def lapses(self, start, end, measured=False):
        """When it was not measured, and why; or when it was, but by uncertain values."""
        lapses = []
        for begin, stop, value, reasons in self.within(start, end):
            if (value is not None) != measured or measured and UNCERTAIN.isdisjoint(reasons):
                continue
            if lapses and lapses[-1][1] == begin and lapses[-1][2] == reasons:
                lapses[-1] = (lapses[-1][0], stop, reasons)
            else:
                lapses.append((begin, stop, reasons))
        return lapses


def read_samples(path):
    samples = defaultdict(list)
    with open(path, newline="") as file:
        for row in csv.DictReader(file):
            text = row["value"]
            value = None if text == "" else float(text == "true") if text in ("true", "false") else float(text)
            samples[row["signal"]].append((ms_of(row["time"]), value, row["reasons"].split()))
    return samples


def read_journal(path):
    """Its entries and its head, the chain recomputed."""
    entries, head = [], "0" * 64
    with open(path) as file:
        for line in file:
            record = json.loads(line)
            if "head" in record:
                same("journal export: head", record["head"]["hash"], head)
                continue
            text = line[len('{"entry":') : line.rindex(',"hash":')]
            head = hashlib.sha256(f"{head}\n{text}".encode()).hexdigest()
            seq, time, _, kind, subject, user, name, detail = record["entry"]
            entries.append({"seq": seq, "at": ms_of(time), "kind": kind, "subject": subject, "user": user,
                            "name": name, "detail": detail})
    return entries, head


def find_breaks(entries, samples):
    """When recording broke off: where the daemon says so, else with the last thing before it began anew."""
    breaks, running = [], None
    every = sorted(at for of in samples.values() for at, _, _ in of)
    def last_before(at):
        return max((s for s in every if s < at), default=-math.inf)
    for entry in entries:
        if entry["kind"] == "started" and running is not None:
            breaks.append(max(running, last_before(entry["at"])))
        running = entry["at"]
        if entry["kind"] == "stopped":
            breaks.append(entry["at"])
            running = None
    if running is not None:
        breaks.append(max(running, last_before(math.inf)))
    return sorted(breaks)


def check_time(report, settings, how):
    """The gas days and hours of the time, from zoneinfo; returns their edges."""
    span = report["span"]
    start, end = ms_of(span["from"]), ms_of(span["to"])
    day = datetime.timedelta(days=1)
    if how[0] == "--day":
        date = datetime.date.fromisoformat(how[1])
        same("from", start, settings.begins(date))
        same("to", end, settings.begins(date + day))
    elif how[0] == "--month":
        first = datetime.date.fromisoformat(how[1] + "-01")
        same("from", start, settings.begins(first))
        same("to", end, settings.begins((first + 31 * day).replace(day=1)))
    date = datetime.datetime.fromtimestamp(start / 1000, settings.zone).date() - day
    days, hours = [], []
    while settings.begins(date) < end:
        begin, stop = settings.begins(date), settings.begins(date + day)
        if stop > start:
            days.append((date.isoformat(), max(begin, start), min(stop, end)))
            for hour in range(begin, stop, HOUR_MS):
                if max(hour, start) < min(hour + HOUR_MS, stop, end):
                    hours.append((max(hour, start), min(hour + HOUR_MS, stop, end)))
        date += day
    told = [(d["date"], ms_of(d["from"]), ms_of(d["to"])) for d in span["gas_days"]]
    same("gas days", told, days)
    for (name, begin, stop), d in zip(days, span["gas_days"]):
        same(f"length of {name}", d["lasts_s"], (stop - begin) / 1000)
    same("length", span["lasts_s"], (end - start) / 1000)
    return start, end, [(b, e) for _, b, e in days], hours


def check_figures(where, told, signal, start, end):
    same(f"{where}: from", ms_of(told["from"]), start)
    same(f"{where}: to", ms_of(told["to"]), end)
    for name, found in signal.figures(start, end).items():
        same(f"{where} from {told['from']}: {name}", told[name], found)


def beyond(kind, setpoint):
    return (lambda v: v < setpoint) if kind in ("low", "average_low") else (lambda v: v > setpoint)


def check_signal(told, signal, settings, start, end, days, hours):
    name = told["id"]
    check_figures(name, told["whole"], signal, start, end)
    for what, spans in (("days", days), ("hours", hours)):
        same(f"{name}: number of {what}", len(told[what]), len(spans))
        for figures, (begin, stop) in zip(told[what], spans):
            check_figures(f"{name}: {what}", figures, signal, begin, stop)
    watching = [alarm for alarm in settings.alarms if alarm.get("signal") == name]
    limits = [alarm for alarm in watching if alarm["kind"] in ("high", "low")]
    same(f"{name}: alarms with setpoints", [b["alarm"] for b in told["beyond"]], [a["id"] for a in limits])
    for alarm, b in zip(limits, told["beyond"]):
        counts = beyond(alarm["kind"], alarm["setpoint"])
        same(f"{name}: setpoint of {alarm['id']}", b["setpoint"], alarm["setpoint"])
        same(f"{name}: time beyond {alarm['id']}", b["beyond_s"], signal.time_s(start, end, counts))
        for nth, (begin, stop) in enumerate(days):
            same(f"{name}: time beyond {alarm['id']}, day {nth}", b["days_s"][nth], signal.time_s(begin, stop, counts))
    averages = [a for a in watching if a["kind"].startswith("average_") and a.get("over") in ("clock_hour", "gas_day")]
    same(f"{name}: averages", [a["alarm"] for a in told["averages"]], [a["id"] for a in averages])
    for alarm, a in zip(averages, told["averages"]):
        if alarm["over"] == "clock_hour":
            spans = [(b, e) for b, e in hours if e - b == HOUR_MS]
        else:
            date = datetime.datetime.fromtimestamp(start / 1000, settings.zone).date()
            whole = {settings.begins(date + datetime.timedelta(days=n)) for n in range(-1, 403)}
            spans = [(b, e) for b, e in days if b in whole and e in whole]
        means = [signal.figures(b, e) for b, e in spans]
        means = [m["mean"] for m in means if m["coverage"] >= alarm.get("coverage_min", 0.75) and m["mean"] is not None]
        same(f"{name}: {alarm['id']} judged", a["judged"], len(means))
        same(f"{name}: {alarm['id']} beyond", a["beyond"], sum(map(beyond(alarm["kind"], alarm["setpoint"]), means)))
    states = [(code, signal.time_s(start, end, lambda v: v == code)) for code in settings.states.get(name, [])]
    same(f"{name}: states", [(s["code"], s["in_s"]) for s in told["states"]], states)
    check_availability(name, told["availability"], signal, start, end)


def by_reason(lapses):
    sums = defaultdict(lambda: [0, 0])
    for begin, stop, reasons in lapses:
        sums[tuple(reasons)][0] += stop - begin
        sums[tuple(reasons)][1] += 1
    return dict(sums)


def check_availability(name, told, signal, start, end):
    lapses = signal.lapses(start, end)
    measured = signal.figures(start, end)["measured_s"]
    same(f"{name}: measured", told["measured_s"], measured)
    doubts = by_reason(signal.lapses(start, end, measured=True))
    same(f"{name}: doubts", {tuple(d["because"]): [round(d["for_s"] * 1000), d["times"]] for d in told["doubts"]}, doubts)
    same(f"{name}: uncertain", told["uncertain_s"], sum(ms for ms, _ in doubts.values()) / 1000)
    same(f"{name}: share measured", told["share"], measured / ((end - start) / 1000))
    losses = {tuple(loss["because"]): [round(loss["lost_s"] * 1000), loss["times"]] for loss in told["losses"]}
    same(f"{name}: losses", losses, by_reason(lapses))
    same(f"{name}: measured and lost make up the whole", sum(ms for ms, _ in losses.values()) + round(measured * 1000), end - start)
    same(f"{name}: lapses", len(told["lapses"]) + told["lapses_untold"], len(lapses))
    if not told["lapses_untold"]:
        found = [(ms_of(l["from"]), ms_of(l["to"]), l["because"]) for l in told["lapses"]]
        same(f"{name}: lapses", found, lapses)


def spells_of(entries):
    spells = []
    for entry in entries:
        mine = [s for s in spells if s["alarm"] == entry["subject"]]
        if entry["kind"] == "alarm_raised":
            spells.append({"alarm": entry["subject"], "raised": entry["at"], "cleared": None, "ack": None,
                           "detail": entry["detail"]})
        elif entry["kind"] in ("alarm_cleared", "alarm_removed") and mine and mine[-1]["cleared"] is None:
            mine[-1]["cleared"] = entry["at"]
        elif entry["kind"] == "alarm_acknowledged" and mine and mine[-1]["ack"] is None:
            user, name = entry["user"], entry["name"]
            mine[-1]["ack"] = (entry["at"], f"{name} ({user})" if name else user)
    return spells


def check_exceedance(where, told, spell, signal, end):
    """Since when without a break, and until when, the value was beyond the setpoint; and its figures between."""
    detail = spell["detail"]
    kind, setpoint = detail["kind"], detail["setpoint"]
    cleared = spell["cleared"] if spell["cleared"] is not None and spell["cleared"] < end else None
    begin, stop = spell["raised"], cleared if cleared is not None else end
    if kind in ("high", "low"):
        counts = beyond(kind, setpoint)
        def is_beyond(sample):
            return sample[1] is not None and "settling" not in sample[2] and counts(sample[1])
        for sample in reversed([s for s in signal.samples if begin - LOOK_BACK_MS < s[0] <= begin]):
            if not is_beyond(sample) or begin - sample[0] > signal.hold(sample[0]):
                break
            begin = sample[0]
        if cleared is not None:
            following = cleared
            for sample in reversed([s for s in signal.samples if s[0] <= cleared]):
                if is_beyond(sample):
                    stop = min(following, sample[0] + signal.hold(sample[0]))
                    break
                following = sample[0]
        same(f"{where}: beyond", told["beyond_s"], signal.time_s(begin, stop, counts))
    figures = signal.figures(begin, stop) if stop > begin else {"min": None, "max": None, "mean": None, "measured_s": 0}
    same(f"{where}: from", ms_of(told["from"]), begin)
    same(f"{where}: to", ms_of(told["to"]), stop)
    same(f"{where}: lasted", told["lasted_s"], (stop - begin) / 1000)
    same(f"{where}: peak", told["peak"], figures["min" if kind in ("low", "average_low", "fall") else "max"])
    same(f"{where}: mean", told["mean"], figures["mean"])
    same(f"{where}: measured", told["measured_s"], figures["measured_s"])


def check_alarms(report, entries, settings, signals, start, end):
    spells = [s for s in spells_of(entries) if s["raised"] < end and (s["cleared"] is None or s["cleared"] > start)]
    same("alarms", [a["alarm"] for a in report["alarms"]], [s["alarm"] for s in spells])
    of = {alarm["id"]: alarm.get("signal") for alarm in settings.alarms}
    for told, spell in zip(report["alarms"], spells):
        where = f"{spell['alarm']} raised {told['raised']}"
        in_time = lambda at: at if at is not None and at < end else None
        cleared, acked = in_time(spell["cleared"]), in_time(spell["ack"][0]) if spell["ack"] else None
        same(f"{where}: raised", ms_of(told["raised"]), spell["raised"])
        same(f"{where}: cleared", told["cleared"] and ms_of(told["cleared"]), cleared)
        same(f"{where}: active", told["active_s"], ((cleared if cleared is not None else end) - spell["raised"]) / 1000)
        same(f"{where}: acknowledged", told["acknowledged"] and ms_of(told["acknowledged"]), acked)
        same(f"{where}: by", told["acknowledged_by"], spell["ack"][1] if acked is not None else None)
        same(f"{where}: setpoint", told["setpoint"], spell["detail"].get("setpoint"))
        has_limit = "setpoint" in spell["detail"] and of.get(spell["alarm"]) in signals
        same(f"{where}: is an exceedance", told["exceedance"] is not None, has_limit)
        if told["exceedance"]:
            signal = of[spell["alarm"]]
            check_exceedance(where, told["exceedance"], spell, signals[signal], end)


def check_events(report, entries, head, start, end):
    same("journal head", report["journal"]["head"], head)
    same("journal entries", report["journal"]["entries"], len(entries))
    same("journal whole", report["journal"]["is_whole"], True)
    sorts = {"work": [], "actions": [], "happenings": []}
    for entry in entries:
        if start <= entry["at"] < end:
            if entry["kind"] in WORK:
                sorts["work"].append(entry["seq"])
            elif entry["user"] is not None:
                sorts["actions"].append(entry["seq"])
            elif not entry["kind"].startswith("alarm_"):
                sorts["happenings"].append(entry["seq"])
    for sort, found in sorts.items():
        same(sort, [entry["seq"] for entry in report[sort]], found)


def main(report_path, samples_path, journal_path, site_path, *how):
    with open(report_path) as file:
        report = json.load(file)
    settings, samples = Settings(site_path), read_samples(samples_path)
    entries, head = read_journal(journal_path)
    breaks = find_breaks(entries, samples)
    before = {told["id"]: told["held_before"] for told in report["signals"]}
    signals = {name: Signal(samples.get(name, []), settings.hold_ms[name], breaks, before.get(name, ())) for name in settings.signals}
    start, end, days, hours = check_time(report, settings, how)
    same("signals", [signal["id"] for signal in report["signals"]], settings.signals)
    for told in report["signals"]:
        check_signal(told, signals[told["id"]], settings, start, end, days, hours)
    check_alarms(report, entries, settings, signals, start, end)
    check_events(report, entries, head, start, end)
    for difference in differences:
        print(difference)
    print(f"{agreed} figures agree, {len(differences)} do not")
    return 1 if differences else 0


if __name__ == "__main__":
    if len(sys.argv) < 6:
        print(__doc__, file=sys.stderr)
        sys.exit(2)
    sys.exit(main(*sys.argv[1:]))
