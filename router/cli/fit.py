"""``router fit``: settings of one input from a few efforts and a rest, and what they would have heard.

With ``--trace`` from a recording with marks; without it the recording is made now, guided on the terminal.
"""

from __future__ import annotations

import argparse
import difflib
import itertools
import json
import platform
import shutil
import sys
from pathlib import Path
from typing import Any

from router import fit
from router.cli import say
from router.core.conditioning.cycle import Cycle
from router.core.timers import Alarm, Timers
from router.core.units import PRESSURE, nearest
from router.files import edit, profile
from router.records.trace import Trace, TraceError
from router.system.files import replacing

NAME = "fit"
HELP = "measure what a child can do, and set thresholds and times for it"
EXAMPLE = "router fit cheek --profile wren.yaml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("input", metavar="INPUT", help="the input's name in the profile")
    parser.add_argument("--profile", required=True, metavar="FILE", help="the profile, or the name of a shipped one")
    parser.add_argument(
        "--trace",
        metavar="TRACE",
        help='a recording with the marks "rest", "effort" and "end", instead of measuring now',
    )
    parser.add_argument(
        "--write", action="store_true", help="change the profile (the old one is kept); else the change is only shown"
    )
    parser.add_argument(
        "--report", type=Path, metavar="OUT.html", help="write a page that shows the fit, and its picture as OUT.png"
    )
    parser.add_argument("--json", action="store_true", help="say what was found for a program to read")
    guided = parser.add_argument_group("measuring now")
    guided.add_argument(
        "--next", metavar="INPUT", help="a second switch of the profile that does what the space bar does"
    )
    guided.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="where the recording is kept; else beside the profile"
    )
    guided.add_argument(
        "--practise", action="store_true", help="with a simulated child instead of the device, to try it out"
    )


def run(args: argparse.Namespace) -> int:
    """Fit, say what was found and why, and write it if asked to."""
    path = profile.find(args.profile)
    loaded = profile.load(path)
    for name in (args.input, args.next):
        if name is not None and name not in loaded.types:
            near = nearest(name, list(loaded.types))
            hint = f'Did you mean "{near}"?  ' if near else ""
            say(f'router fit: {path} has no input called "{name}"', file=sys.stderr)
            say(f"{hint}Its inputs: {', '.join(loaded.types)}.", file=sys.stderr)
            return 2
    if args.write and args.practise:
        say("router fit: --practise measures a simulated child, and its numbers are not written", file=sys.stderr)
        return 2
    if args.write and not Path(args.profile).exists():
        say(f"router fit: {args.profile} is an example that came with the router, and stays as it is", file=sys.stderr)
        say(f"Make it a child's own first: cp {path} .", file=sys.stderr)
        return 2
    measures = args.trace is None
    try:
        if measures and platform.system() != "Linux":
            raise fit.FitError(
                f"measuring needs Linux, and this is {platform.system()}",
                "Record on the router's own machine, and bring the recording here with --trace.",
            )
        if measures:
            from router.cli import guided  # it needs a terminal, and what only Linux has

            trace = guided.guide(loaded, args.input, args.next, args.keep, practise=args.practise)
            if trace is None:
                return 130
            args.trace = str(trace)
        return _fit(args, path, loaded, measured=measures and not args.json)
    except fit.FitError as error:
        said = f"{args.trace}: " if args.trace else "router fit: "
        say(f"{said}{error}\n{error.hint}", file=sys.stderr)
        return 1
    except TraceError as error:
        say(error, file=sys.stderr)
        return 1
    except OSError as error:
        place = "" if error.filename is None else f"{error.filename}: "
        say(f"router fit: {place}{(error.strerror or str(error)).lower()}", file=sys.stderr)
        return 1


def _fit(args: argparse.Namespace, path: Path, loaded: profile.Profile, *, measured: bool) -> int:
    with Path(args.trace).open("rb") as file:
        recording = fit.record(Trace(file, args.trace, loaded.types), args.input)
    make = loaded.plan.inputs[args.input]
    conditioner = make(itertools.count(1).__next__, Alarm(Timers(), 0))
    found = fit.fit(recording, conditioner)
    old = path.read_bytes().decode()
    new, said = _changed(old, args.input, found, args.trace)
    if args.report:
        from router.report import fit_page  # it draws, with what not everyone has installed

        drawn = fit_page.FitPage(
            loaded.child, args.input, recording, found, conditioner, said["settings"], said["measured"], found.remarks
        )
        said["report"] = [str(each) for each in drawn.write(args.report)]
    if args.write:
        said["written"], said["kept"] = _write(path, old, new)
    if args.json:
        print(json.dumps(said, ensure_ascii=False))
        return 0
    print("\n".join([*_plainly(said), *([] if args.write else _difference(path, old, new))]))
    if args.practise and measured:
        say("\nThis was a simulated child: nothing is written.")
    elif measured and not Path(args.profile).exists():
        say(f"\n{args.profile} is an example and stays as it is. To keep numbers make it a child's own: cp {path} .")
    elif measured and not args.write and old != new:
        try:
            agreed = input(f"\nWrite this into {path}? The old file is kept. (y/n) ").strip().casefold() in ("y", "yes")
        except EOFError:
            agreed = False
        if agreed:
            said["written"], said["kept"] = _write(path, old, new)
            say(_written(said))
    return 0


def _changed(text: str, name: str, found: fit.Fit, trace: str) -> tuple[str, dict[str, Any]]:
    """The profile with what was found, and what there is to say."""
    changes = {}
    settings = []
    units = set()
    sides = (edit.written(text, ("inputs", name, side, "on")) for side in ("above", "below"))
    thresholds = next(filter(None, sides), None)
    for setting in found.settings:
        place = ("inputs", name, *setting.path)
        before = edit.written(text, place)
        unit = _unit(before or thresholds)
        units.add(unit)
        value = _shown(setting.value, setting.kind, unit)
        if before is not None or setting.value != setting.now:  # what holds by itself need not be written
            changes[place] = value
        settings.append(
            {
                "setting": ".".join(setting.path),
                "value": value,
                "before": before,
                "from": _shown(setting.low, setting.kind, unit),
                "to": _shown(setting.high, setting.kind, unit),
                "sure": setting.sure,
                "why": setting.why.format(*(_shown(*figure, unit) for figure in setting.figures)),
            }
        )
    unit = next((unit for unit in sorted(units) if unit != "Pa"), "Pa")
    known = ("inputs", name, "cycle")
    if found.cycle is not None:
        changes[known] = _cycle(found.cycle, unit)
    elif edit.holds(text, known):
        changes[known] = "no"
    return edit.changed(text, changes), {
        "input": name,
        "trace": trace,
        "settings": settings,
        "efforts": found.heard.efforts,
        "heard": found.heard.heard,
        "seconds_of_rest": round(found.seconds_of_rest, 3),
        "false_at_rest": found.heard.false,
        "false_elsewhere": found.heard.elsewhere,
        "tried_on_the_unseen": {
            "efforts": found.tried.efforts,
            "heard": found.tried.heard,
            "false_at_rest": found.tried.false,
            "false_elsewhere": found.tried.elsewhere,
        },
        "measured": {
            fact.name: fact.says.format(*(_shown(*figure, unit) for figure in fact.figures)) for fact in found.facts
        },
        "remarks": found.remarks,
    }


def _cycle(cycle: Cycle, unit: str) -> str:
    """A known rhythm as a profile has it."""
    low = min(cycle.shape)
    height = max(cycle.height, 1e-9)
    shape = ", ".join(str(round(100 * (level - low) / height)) for level in cycle.shape)
    return (
        f"{{period: {_shown(cycle.period, 'time', unit)}, height: {_shown(cycle.height, 'pressure', unit)}, "
        f"irregular: {100 * cycle.irregular:.1f} %, uneven: {100 * cycle.uneven:.1f} %, "
        f"wavers: {_shown(cycle.wavers, 'pressure', unit)}, shape: [{shape}]}}"
    )


def _unit(written: str | None) -> str:
    """The unit of pressure in which a therapist wrote a value."""
    unit = (written or "").strip().lstrip("+-0123456789. ")
    return unit if unit in PRESSURE else "Pa"


def _shown(value: float, kind: str, unit: str) -> str:
    """A value as a profile has it: three figures are more than a child's efforts have."""
    if kind == "time":
        return f"{float(f'{value / 1_000_000:.3g}'):.0f} ms"
    if kind == "share":
        return f"{100 * value:.0f} %"
    amount = value / float(PRESSURE[unit])
    written = f"{float(f'{amount:.3g}'):f}"
    return (written.rstrip("0").rstrip(".") if "." in written else written) + f" {unit}"


def _write(path: Path, old: str, new: str) -> tuple[str, str | None]:
    """Write the profile; the old one is kept beside it. Nothing is written that cannot be read again."""
    if old == new:
        return str(path), None
    profile.load(path, new.encode())
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
    width = max(len(each["value"]) for each in said["settings"])
    for each in said["settings"]:
        alone = each["from"] == each["to"]
        between = "" if alone else f", between {each['from'].split()[0]} and {each['to']} if done again"
        lines.append(f"  {each['setting']:12} {each['value']:{width}}  {each['sure']}{between}")
        lines.append(f"  {'':12} {'':{width}}  {each['why']}")
    lines += [f"  {name:12} {says}" for name, says in said["measured"].items()]
    lines.append(
        f"With this, {said['heard']} of {said['efforts']} efforts would have been heard, and {said['false_at_rest']} "
        f"times nobody in {rest} ({said['false_elsewhere']} between efforts)."
    )
    tried = said["tried_on_the_unseen"]
    lines.append(
        f"Tried on a part that the fit had not seen, part after part: {tried['heard']} of {tried['efforts']}, and "
        f"{tried['false_at_rest']} times nobody ({tried['false_elsewhere']} between efforts)."
    )
    lines += said["remarks"]
    if doubtful := [each["setting"] for each in said["settings"] if each["sure"] == "unsure"]:
        lines.append(f"UNSURE: {', '.join(doubtful)}. Measure again with more efforts before you rely on it.")
    lines += [f"written {path}" for path in said.get("report", ())]
    return [*lines, _written(said)] if "written" in said else lines


def _written(said: dict[str, Any]) -> str:
    kept = f"; the old one is {said['kept']}" if said["kept"] else ": it said so already"
    return f"written {said['written']}{kept}"


def _difference(path: Path, old: str, new: str) -> list[str]:
    names = (str(path), f"{path} with --write")
    diff = list(difflib.unified_diff(old.splitlines(), new.splitlines(), *names, lineterm="", n=1))
    return ["", *diff] if diff else ["The profile says so already."]
