"""Every mistake in a group of settings, told in plain words.

JSON Schema's own library does the comparing; what it says is not for a therapist, so each of its findings is told
anew here, at its place in the file. One mistake gets one message.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Mapping
from typing import Any

from jsonschema import ValidationError

from router.core.units import SPOKEN, QuantityError, nearest
from router.files import foreign, former, pseudonym, quantities
from router.files.diagnostics import Place, Report, either, listed, quoted
from router.files.profile import schema
from router.files.source import Entries, Items, Node, Text

YES = ("yes", "true", "on")
NO = ("no", "false", "off")

_ELSEWHERE = {"yes": ("ja", "oui", "si", "s\u00ed", "y", "1", "wahr"), "no": ("nein", "non", "nee", "n", "0", "falsch")}
"""Words of other languages for the two."""

WHOLE = re.compile(r"[+-]?[0-9]{1,15}")

Path = tuple[str | int, ...]
Schema = Mapping[str, Any]


class Telling:
    """Tells what JSON Schema's library found in one group of settings."""

    def __init__(self, node: Node, wanted: Schema, at: Place, report: Report, called: str) -> None:
        self._node, self._wanted, self._at, self._report, self._called = node, wanted, at, report, called

    def tell(self, errors: list[ValidationError]) -> None:
        """Every error, one message a mistake."""
        if any(error.validator == "type" and not error.absolute_path for error in errors):
            self._report.add(self._node.place, f"{self._called} needs settings", _takes(self._called, self._wanted))
            return
        groups: dict[Path, list[ValidationError]] = defaultdict(list)
        told = self._tell_lists(errors)
        for error in errors:
            if tuple(error.absolute_path)[:-1] in told:
                continue
            if error.validator in _ABOUT_GROUPS:
                groups[tuple(error.absolute_path)].append(error)
            else:
                self._tell_value(error)
        for path, found in groups.items():
            self._tell_group(path, found)

    def _tell_lists(self, errors: list[ValidationError]) -> set[Path]:
        """Tell of lists of numbers that hold notes, or other signs than commas: once for the list.

        Return those lists.
        """
        told: set[Path] = set()
        for error in errors:
            path = tuple(error.absolute_path)
            if error.validator != "type" or not path or not isinstance(path[-1], int) or path[:-1] in told:
                continue
            items, _, wanted = self._down(path[:-1])
            if not isinstance(items, Items) or wanted.get("items", {}).get("type") != "integer":
                continue
            texts = [item.text.strip() for item in items.items if isinstance(item, Text)]
            _, _, group = self._down(path[:-2])
            said = _say_numbers(str(path[-2]), texts, group)
            if said is not None and len(texts) == len(items.items):
                first = items.items[int(path[-1])]
                self._report.add(first.place, *said)
                told.add(path[:-1])
        return told

    def _tell_group(self, path: Path, errors: list[ValidationError]) -> None:
        """Report what is unknown, missing or too much in one group."""
        group, at, wanted = self._down(path)
        entries = group if isinstance(group, Entries) else Entries(at)
        present = entries.values
        called = f'"{path[-1]}"' if path else self._called
        if path and isinstance(path[-1], int):
            called = wanted.get("title", called)
        properties = wanted["properties"]
        missing = {name for error in errors for name in _missing(error)} - set(present)
        explained = False
        for name in present:
            if name in properties:
                continue
            near = (
                former.setting(name, properties)
                or nearest(name, [known for known in properties if known not in present])
                or nearest(name, properties)
            )
            explained = explained or near is None or near in missing
            value = present[name]
            written = value.text if isinstance(value, Text) else ""
            self._report.add(
                entries.keys[name].place, *unknown(name, near, called, wanted, self._report, written=written)
            )
        if explained:
            return
        needed = [name for error in errors if error.validator == "required" for name in _missing(error)]
        if needed:
            condition = next((_condition(error, self._wanted) for error in errors if error.validator == "required"), "")
            self._report.missing(at, f"{called} needs {listed(needed)}{condition}", _for_example(needed, wanted))
        for error in errors:
            if error.validator not in ("additionalProperties", "required"):
                self._tell_choice(error, entries, at, called, wanted)

    def _tell_choice(self, error: ValidationError, group: Entries, at: Place, called: str, wanted: Schema) -> None:
        """Report that none, or more than one, is there of settings of which one must be."""
        names = _missing(error)
        present = [name for name in names if name in group.values]
        if not names:
            self._report.missing(at, f"{called} is not complete as it stands", _takes(called, wanted))
            return
        if error.validator == "dependentRequired":
            beside = [name for name in group.values if name in _beside(error)]
            message = f"{called} with {listed(beside)} needs {listed(names)} too"
            self._report.missing(group.keys[beside[0]].place, message, _for_example(names, wanted))
            return
        if not present:
            message = f"{called} needs {listed(names, 'or')}"
            self._report.missing(at, message, _for_example(names, wanted, "or"))
            return
        both = " and ".join(f'"{name}"' for name in present)
        last = max((group.keys[name].place for name in present), key=lambda place: (place.line, place.column))
        self._report.add(last, f"{both} cannot stand together", f"Keep one of the two. {_takes(called, wanted)}")

    def _tell_value(self, error: ValidationError) -> None:
        path = tuple(error.absolute_path)
        node, at, wanted = self._down(path)
        place = node.place if isinstance(node, Text) and not node.empty else at
        name = next((str(key) for key in reversed(path) if isinstance(key, str)), self._called)
        if isinstance(node, Text) and not node.text.strip():
            self._report.missing(place, f'nothing is written after "{name}"', allowed(name, wanted))
            return
        message, hint = _say_value(error, node, name, wanted)
        if path and isinstance(path[-1], int):
            hint = hint.replace(f'"{name}" is', f'Each of "{name}" is')
        self._report.add(place, message, remark(node, self._report) or hint)

    def _down(self, path: Path) -> tuple[Node, Place, Schema]:
        """Return the node at a path, the place of its name, and its schema."""
        node, at, wanted = self._node, self._at, self._wanted
        for key in path:
            if isinstance(node, Entries):
                at, node = node.keys[str(key)].place, node.values[str(key)]
                wanted = wanted.get("properties", {}).get(key, {})
            elif isinstance(node, Items):
                node = node.items[int(key)]
                at = node.place
                wanted = wanted.get("items", {})
        return node, at, wanted


_ABOUT_GROUPS = ("additionalProperties", "required", "oneOf", "anyOf", "not", "dependentRequired")


def _missing(error: ValidationError) -> list[str]:
    """The names that an error asks for, or of which it allows only some."""
    value: Any = error.validator_value
    if error.validator == "required":
        return [name for name in value if f"{name!r}" in error.message]  # the library tells them one by one
    if error.validator in ("oneOf", "anyOf"):
        return [name for choice in value for name in choice.get("required", ())]
    if error.validator == "dependentRequired":
        return [name for names in value.values() for name in names if f"{name!r} is" in error.message]
    if error.validator == "not":
        return list(value.get("required", ()))
    return []


def _beside(error: ValidationError) -> Mapping[str, Any]:
    """The settings that ask for others beside them."""
    value: Any = error.validator_value
    present: Any = error.instance
    return {name: needs for name, needs in value.items() if set(needs) - set(present)}


def _condition(error: ValidationError, root: Schema) -> str:
    """The words for the condition under which a setting is needed; "" if it always is."""
    steps = list(error.absolute_schema_path)
    if "then" not in steps:
        return ""
    inner: Any = root
    for step in steps[: steps.index("then")]:
        inner = inner[step]
    given = inner["if"].get("properties", {})
    return "".join(f' with "{name}: {what["const"]}"' for name, what in given.items() if "const" in what)


def _for_example(names: list[str], wanted: Schema, word: str = "and") -> str:
    properties = wanted["properties"]
    return f"For example {listed((f'{name}: {example(properties.get(name, {}))}' for name in names), word)}."


def unknown(
    name: str, near: str | None, called: str, wanted: Schema, report: Report, *, written: str = ""
) -> tuple[str, str]:
    """The message and hint for a setting that a group does not have; ``written``: the text of its value."""
    if name in wanted.get("elsewhere", {}):
        return f"{called} has no setting called {quoted(name)}", wanted["elsewhere"][name]
    hint = f'Did you mean "{near}"?  ' if near else ""
    homes = report.form.homes().get(name, ())
    if near and near == former.setting(name, wanted["properties"]):
        value = former.value(near, written)
        hint = f'Did you mean "{near}{f": {value}" if value else ""}"?  It was called {quoted(name)} before.  '
    elif not near and not homes and (today := former.setting(name, report.form.homes())) is not None:
        hint, homes = f'It is called "{today}" now.  ', report.form.homes()[today]
    top = called == f"a {report.form.name}"
    if not near and homes:
        hint += f"It is a setting of {either(homes[:3])}.  "
        if top:
            hint += "Does this line begin in the right column?"
            return f"{called} has no entry called {quoted(name)}", hint
    noun = "entry" if top else "setting"
    return f"{called} has no {noun} called {quoted(name)}", hint + _takes(called, wanted)


def _takes(called: str, wanted: Schema) -> str:
    needed = set(wanted.get("required", ()))
    names = [f"{name} (needed)" if name in needed else name for name in wanted.get("properties", {})]
    if not names:
        return f"{_capital(called)} takes no settings."
    return f"{_capital(called)} takes: {', '.join(names)}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def remark(node: Node, report: Report) -> str:
    """A hint if the end of a text may have become a remark: ``C #4``."""
    if not isinstance(node, Text) or not node.plain or node.place.line > len(report.lines):
        return ""
    rest = report.lines[node.place.line - 1][node.place.column - 1 + node.place.width :]
    found = re.fullmatch(r"\s+(#-?\d*)\s*([,}\]].*)?", rest)
    if not found or not re.fullmatch(r"[A-Ga-g]", node.text):
        return ""
    return f'Did you mean "{node.text}{found[1]}"?  A sharp is written without a space before it.'


def _reads(kind: str, text: str) -> bool:
    try:
        quantities.read(kind, text)
    except QuantityError:
        return False
    return True


def _say_value(error: ValidationError, node: Node, name: str, wanted: Schema) -> tuple[str, str]:
    """Message and hint for a value that is not what its setting takes."""
    if not isinstance(node, Text):
        return _say_shape(error, node, name, wanted)
    if isinstance(error.cause, QuantityError):
        words = [word for word in re.split(r"[\s;|]+", node.text) if word]
        if len(words) > 1 and all(_reads(wanted["quantity"], word) for word in words):
            sign = next((sign for sign in ";|" if sign in node.text), "")
            message = (
                f"commas part the values of a list, not {quoted(sign)}"
                if sign
                else f"a comma is missing in {quoted(node.text)}"
            )
            return message, f"Did you mean {', '.join(words)}?"
        today = former.value(name, node.text) or _none_of_it(node.text, wanted)
        hint = allowed(name, wanted) if _is_another(node.text, wanted["quantity"]) else error.cause.hint
        return str(error.cause), (f'Did you mean "{today}"?  ' if today else "") + hint
    say = _SAYINGS.get(str(error.validator))
    if say is None:
        return f"{quoted(node.text)} is not right for {quoted(name)}", allowed(name, wanted)
    return say(node.text.strip(), name, wanted)


_MEASURED = ("time", "pressure", "frequency", "percent", "tempo")


def _is_another(text: str, kind: str) -> bool:
    """Tell whether a text is a right quantity of another kind: its writer takes the setting for something else."""
    return kind in _MEASURED and not _reads(kind, text) and any(_reads(other, text) for other in _MEASURED)


def _none_of_it(text: str, wanted: Schema) -> str | None:
    """The nought of a setting that has one by default, where "no" is written: "0 ms"."""
    default = str(wanted.get("default", ""))
    return default if text.strip().casefold() in NO and default.startswith("0 ") else None


def _say_numbers(name: str, texts: list[str], group: Schema) -> tuple[str, str] | None:
    """Return what is said of a list of whole numbers that was written another way, message and hint, or None."""
    parted = [word for text in texts for word in re.split(r"[\s;|]+", text) if word]
    if len(parted) > len(texts) and all(WHOLE.fullmatch(word) for word in parted):
        sign = next((sign for sign in ";|" if any(sign in text for text in texts)), "")
        if not sign:
            return None  # told where it stands
        return f"commas part the values of a list, not {quoted(sign)}", f'Did you mean "{name}: [{", ".join(parted)}]"?'
    romans = [str(foreign.ROMAN.get(text.casefold(), text)) for text in texts]
    if romans != texts and all(WHOLE.fullmatch(word) for word in romans):
        return f'"{name}" are numbers such as 1, 4, 5', f'Did you mean "{name}: [{", ".join(romans)}]"?'
    notes = [foreign.note(text) for text in texts]
    if not all(notes):
        return None
    known = group.get("properties", {})
    instead = ""
    if "notes" in known:
        octave = [note if note[-1].isdigit() else f"{note}4" for note in notes]
        instead = f'Did you mean "notes: [{", ".join(octave)}]"?  '
    return (
        f'"{name}" are numbers: steps of the scale, not names of notes',
        f"{instead}With {name}, 1 is the tonic, 2 the next note of the scale, and so on.",
    )


def _say_shape(error: ValidationError, node: Node, name: str, wanted: Schema) -> tuple[str, str]:
    """A list or a group where something else is wanted."""
    if error.validator == "minItems" and isinstance(node, Items) and node.items:
        return f'"{name}" is too short', allowed(name, wanted)
    if error.validator in ("minItems", "minProperties"):
        return f'nothing stands in "{name}"', allowed(name, wanted)
    if error.validator in ("maxItems", "uniqueItems"):
        return f'"{name}" is too long, or holds something twice', allowed(name, wanted)
    if isinstance(node, Items):
        dashes = "Leave the dashes out.  " if wanted.get("type") == "object" else ""
        return f'"{name}" cannot be a list', dashes + allowed(name, wanted)
    return f'"{name}" cannot have settings of its own', allowed(name, wanted)


def _say_type(text: str, name: str, wanted: Schema) -> tuple[str, str]:
    kind = wanted.get("type")
    if kind == "object":
        hint = f'For example "{name}: {example(wanted)}".' if "examples" in wanted else allowed(name, wanted)
        sizes = re.fullmatch(r"(\d+)\s*(?:x|X|\*|\u00d7|by|mal)\s*(\d+)", text)
        if sizes and {"columns", "rows"} <= set(wanted.get("properties", {})):
            hint = f'Did you mean "{name}: {{columns: {sizes[1]}, rows: {sizes[2]}}}"?  {hint}'
        return f'"{name}" needs settings, not just {quoted(text)}', hint
    if kind == "array":
        if len(text) > 40:
            return f'"{name}" must be a list', allowed(name, wanted)
        if wanted.get("items", {}).get("type") == "integer" and not re.fullmatch(r"\d+(?:[\s,;|-]+\d+)*", text):
            if (said := _say_numbers(name, re.split(r"[\s,;|-]+", text), {})) is not None:
                return said
            return f'"{name}" must be a list of whole numbers', allowed(name, wanted)
        parted = re.sub(r"[\s,;|]+|(?<=\d)-(?=\d)", ", ", text)
        return f'"{name}" must be a list', f'Did you mean "{name}: [{parted}]"?'
    if kind == "boolean":
        meant = next((word for word, words in _ELSEWHERE.items() if text.casefold() in words), "")
        hint = f'Did you mean "{meant}"?  ' if meant else ""
        return f"{quoted(text)} is neither yes nor no", hint + allowed(name, wanted)
    if kind == "integer" and re.fullmatch(r"[+-]?[1-9]\d{0,2}(?:[.,'\u2019\s]\d{3})+", text):
        bare = re.sub(r"[.,'\u2019\s]", "", text)
        return f"a number is written without signs between thousands: {quoted(text)}", f'Did you mean "{bare}"?'
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", text):
        readings = re.sub(",", "", text), f"{float(text.replace(',', '.')):g}"
        return f"{quoted(text)} can be read in two ways", f'Write "{readings[0]}" or "{readings[1]}".'
    if re.fullmatch(r"[+-]?\d+,\d+", text):
        point = text.replace(",", ".")
        return f"a number is written with a point, not a comma: {quoted(text)}", f'Did you mean "{point}"?'
    if len(text) <= 40 and re.fullmatch(r"\d+(\s+\d+)+", text):
        return f"a comma is missing in {quoted(text)}", f"Did you mean {', '.join(text.split())}?"
    whole = "whole " if kind == "integer" else ""
    return f"{quoted(text)} is not a {whole}number", allowed(name, wanted)


def _say_choice(text: str, name: str, wanted: Schema) -> tuple[str, str]:
    choices = [str(choice) for choice in wanted["enum"]]
    spoken = SPOKEN.get(text.casefold(), "")
    near = former.value(name, text) or (spoken if spoken in choices else nearest(text, choices))
    hint = f'Did you mean "{near}"?  ' if near else ""
    return f'"{name}" cannot be {quoted(text)}', hint + allowed(name, wanted)


def _say_low(text: str, name: str, wanted: Schema) -> tuple[str, str]:
    return f'{text} is too low for "{name}"', allowed(name, wanted)


def _say_high(text: str, name: str, wanted: Schema) -> tuple[str, str]:
    return f'{text} is too high for "{name}"', allowed(name, wanted)


def _say_long(_: str, name: str, wanted: Schema) -> tuple[str, str]:
    return f'what is written after "{name}" is too long', f"At most {wanted['maxLength']} letters."


def _say_spelling(text: str, name: str, wanted: Schema) -> tuple[str, str]:
    near = schema.respell(text, wanted)
    if name == "child" and near and pseudonym.wrong(near):  # nobody is led to a name
        near = ""
    hint = f'Did you mean "{near}"?  ' if near else ""
    return f'"{name}" cannot be {quoted(text)}', hint + allowed(name, wanted)


def _say_version(text: str, name: str, wanted: Schema) -> tuple[str, str]:
    return f'"{name}" must be {wanted["const"]}, not {quoted(text)}', allowed(name, wanted)


_SAYINGS: Mapping[str, Callable[[str, str, Schema], tuple[str, str]]] = {
    "type": _say_type,
    "enum": _say_choice,
    "minimum": _say_low,
    "exclusiveMinimum": _say_low,
    "maximum": _say_high,
    "exclusiveMaximum": _say_high,
    "maxLength": _say_long,
    "pattern": _say_spelling,
    "const": _say_version,
}


def allowed(name: str, wanted: Schema) -> str:
    """A sentence on what a setting takes and what it is."""
    about = wanted.get("description", "")
    if "enum" in wanted:
        choices = either(str(choice) for choice in wanted["enum"])
        return f'"{name}" can be {choices}.' if len(wanted["enum"]) > 5 else f'"{name}" can be {choices}: {about}.'
    if wanted.get("properties"):
        return _takes(f'"{name}"', wanted)
    if wanted.get("type") == "object":
        return f'For example "{name}: {example(wanted)}".'
    if "const" in wanted:
        return f"It is {about}."
    verb, what = ("takes", wanted["spelling"]) if "spelling" in wanted else ("is", phrase(wanted))
    if not what:
        return f'"{name}": {about}.' if about else ""
    return f'"{name}" {verb} {what}{": " if about else ""}{about}.'


def phrase(wanted: Schema) -> str:
    """Put in words what a setting takes: "a whole number from 1 to 16"."""
    no = f", or no ({wanted['no']})" if "no" in wanted else ""
    if "quantity" in wanted:
        kind = quantities.KINDS[wanted["quantity"]]
        return f"{kind.phrase} such as {example(wanted)}{_within(wanted)}{no}"
    if "enum" in wanted:
        return either(str(choice) for choice in wanted["enum"])
    if "spelling" in wanted:
        return str(wanted["spelling"])
    numbers = {"integer": "a whole number", "number": "a number"}
    kind_name = wanted.get("type")
    if kind_name in numbers:
        low, high = wanted.get("minimum"), wanted.get("maximum")
        if low is not None and high is not None:
            return f"{numbers[kind_name]} from {low} to {high}{no}"
        return (f"{numbers[kind_name]}, {low} or more" if low is not None else numbers[kind_name]) + no
    if kind_name == "array":
        return f"a list such as {example(wanted)}"
    return {"boolean": "yes or no", "object": "a group of settings", "string": "a text"}.get(str(kind_name), "")


def _within(wanted: Schema) -> str:
    least, most = wanted.get("least"), wanted.get("most")
    if least and most:
        return f", from {least} to {most}"
    return f", at most {most}" if most else f", at least {least}" if least else ""


def limits(wanted: Schema) -> str:
    """A sentence on the least and the most that a setting takes."""
    said = _within(wanted).removeprefix(", ")
    return f"{_capital(said)}."


def example(wanted: Schema) -> str:
    """A value that a profile might write."""
    if "examples" in wanted:
        return str(wanted["examples"][0])
    if "default" in wanted:
        return str(wanted["default"])
    if "quantity" in wanted:
        return str(quantities.KINDS[wanted["quantity"]].example)
    if wanted.get("enum"):
        return str(wanted["enum"][0])
    if wanted.get("type") == "array":
        inner = wanted.get("items", {})
        return "[1, 2, 3]" if inner.get("type") == "integer" else f"[{example(inner)}]"
    return str(wanted.get("minimum", "..."))
