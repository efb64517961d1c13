"""``router fit``: settings of one input from a recording with marks, and what they would have heard in it."""

from __future__ import annotations

import argparse
import difflib
import itertools
import json
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from router import fit, profile
from router.files import replacing
from router.inputs.trace import Trace, TraceError
from router.profile import edit
from router.timers import Alarm, Timers
from router.units import PRESSURE, nearest

NAME = "fit"
HELP = "thresholds and times for an input from a recording of its child"
EXAMPLE = "router fit cheek --profile wren.yaml --trace session.jsonl"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare them."""
    parser.add_argument("input", metavar="INPUT", help="the input's name in the profile")
    parser.add_argument("--profile", required=True, metavar="FILE", help="the profile, or the name of a shipped one")
    parser.add_argument(
        "--trace", required=True, metavar="TRACE", help='the recording, with the marks "rest", "effort" and "end"'
    )
    parser.add_argument(
        "--write", action="store_true", help="change the profile (the old one is kept); else the change is only shown"
    )
    parser.add_argument("--json", action="store_true", help="say what was found for a program to read")


def run(args: argparse.Namespace) -> int:
    """Fit, say what was found and why, and write it if asked to."""
    path = profile.find(args.profile)
    loaded = profile.load(path)
    if args.input not in loaded.types:
        near = nearest(args.input, list(loaded.types))
        hint = f'Did you mean "{near}"?  ' if near else ""
        print(f'router fit: {path} has no input called "{args.input}"', file=sys.stderr)
        print(f"{hint}Its inputs: {', '.join(loaded.types)}.", file=sys.stderr)
        return 2
    try:
        with Path(args.trace).open("rb") as file:
            recording = fit.record(Trace(file, args.trace, loaded.types), args.input)
        make = loaded.plan.inputs[args.input]
        found = fit.fit(recording, make(itertools.count(1).__next__, Alarm(Timers(), 0)))
        old = path.read_bytes().decode()
        new, said = _changed(old, args.input, found, args.trace)
        if args.write:
            said["written"], said["kept"] = _write(path, old, new)
    except fit.FitError as error:
        print(f"{args.trace}: {error}\n{error.hint}", file=sys.stderr)
        return 1
    except TraceError as error:
        print(error, file=sys.stderr)
        return 1
    except OSError as error:
        place = "" if error.filename is None else f"{error.filename}: "
        print(f"router fit: {place}{(error.strerror or str(error)).lower()}", file=sys.stderr)
        return 1
    if args.json:
        print(json.dumps(said, ensure_ascii=False))
    else:
        print("\n".join([*_plainly(said), *([] if args.write else _difference(path, old, new))]))
    return 0


def _changed(text: str, name: str, found: fit.Fit, trace: str) -> tuple[str, dict[str, Any]]:
    """The profile with what was found, and what there is to say."""
    changes = {}
    settings = []
    for setting in found.settings:
        place = ("inputs", name, *setting.path)
        before = edit.written(text, place)
        unit = _unit(before or edit.written(text, (*place[:-1], "on")))
        changes[place] = _shown(setting.value, setting.kind, unit)
        why = setting.why.format(*(_shown(figure, setting.kind, unit) for figure in setting.figures))
        label = ".".join(setting.path)
        settings.append({"setting": label, "value": changes[place], "before": before, "why": why})
    return edit.changed(text, changes), {
        "input": name,
        "trace": trace,
        "settings": settings,
        "efforts": found.efforts,
        "heard": found.heard,
        "seconds_of_rest": round(found.seconds_of_rest, 3),
        "false_at_rest": found.false,
        "false_elsewhere": found.elsewhere,
        "remarks": found.remarks,
    }


def _unit(written: str | None) -> str:
    """The unit of pressure in which a therapist wrote a value."""
    unit = (written or "").strip().lstrip("+-0123456789. ")
    return unit if unit in PRESSURE else "Pa"


def _shown(value: float, kind: str, unit: str) -> str:
    """A pressure or a time as a profile has it: three figures are more than a child's efforts have."""
    if kind == "time":
        return f"{value / 1_000_000:g} ms"
    amount = value / float(PRESSURE[unit])
    return f"{float(f'{amount:.3g}'):f}".rstrip("0").rstrip(".") + f" {unit}"


def _write(path: Path, old: str, new: str) -> tuple[str, str | None]:
    """Write the profile; the old one is kept beside it. Nothing is written that cannot be read again."""
    if old == new:
        return str(path), None
    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder) / path.name
        trial.write_bytes(new.encode())
        profile.load(trial)
    names = (path.with_name(f"{path.name}.old{number}") for number in ("", *range(2, 10_000)))
    kept = next(name for name in names if not name.exists())
    shutil.copy2(path, kept)
    with replacing(path) as file:
        file.write(new.encode())
    shutil.copymode(kept, path)
    return str(path), str(kept)


def _plainly(said: dict[str, Any]) -> list[str]:
    rest = f"{said['seconds_of_rest']:.0f} s of rest"
    lines = [f"{said['input']} in {said['trace']}: {said['efforts']} efforts, {rest}"]
    lines += [f"  {each['setting']:12} {each['value']:12} {each['why']}" for each in said["settings"]]
    lines.append(
        f"With this, {said['heard']} of {said['efforts']} efforts would have been heard, and {said['false_at_rest']} "
        f"times nobody in {rest} ({said['false_elsewhere']} between efforts)."
    )
    lines += said["remarks"]
    if "written" in said:
        kept = f"; the old one is {said['kept']}" if said["kept"] else ": it said so already"
        lines.append(f"written {said['written']}{kept}")
    return lines


def _difference(path: Path, old: str, new: str) -> list[str]:
    names = (str(path), f"{path} with --write")
    diff = list(difflib.unified_diff(old.splitlines(), new.splitlines(), *names, lineterm="", n=1))
    return ["", *diff] if diff else ["The profile says so already."]
