"""Which rules of others have been proven here (``router rules --prove NAME``), by the digest of their files.

A proof holds for one text of a rule's file and one version of the router: another of either is another rule. Proofs lie
beside the rules of the administrator's folder, or where there is none in the user's own folder for what programs
remember (``XDG_STATE_HOME``). They count only where nobody else could have written them, as the rules themselves do. A
profile can say nothing of them.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
from pathlib import Path

from router import __version__
from router.core.contract import Rule
from router.files.plugins import FOLDER, VARIABLE, others_can_write
from router.system.files import replacing

NAME = ".proven.json"
LARGEST = 1 << 20
"""Bytes of a file of proofs; more is none of ours."""


def digest(rule: type[Rule]) -> str:
    """The SHA-256 of the file that a rule stands in.

    Raises:
        OSError: it cannot be read.
    """
    return hashlib.sha256(Path(str(sys.modules[rule.__module__].__file__)).read_bytes()).hexdigest()


def is_proven(rule: type[Rule]) -> bool:
    """Tell whether the rule's file, as it is now, was proven with this version of the router."""
    try:
        wanted = digest(rule)
    except OSError:
        return False
    return any(_read(place).get(wanted) == _stamp(rule) for place in _places())


def record(rule: type[Rule], proven: str) -> Path:
    """Record that a rule was proven while its file had this digest; return the path of the record.

    Raises:
        OSError: it can be written nowhere.
    """
    *shared, own = _places()
    for place in shared:
        if place.parent.is_dir() and os.access(place.parent, os.W_OK) and others_can_write(place.parent) is None:
            break
    else:
        place = own
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    told = {**_read(place), proven: _stamp(rule)}
    with replacing(place) as file:
        file.write(json.dumps(told, indent=2).encode())
    place.chmod(0o644)
    return place


def _stamp(rule: type[Rule]) -> str:
    return f"{rule.name}, router {__version__}"


def _places() -> list[Path]:
    """Where proofs may lie: beside the rules, then the user's own."""
    chosen = os.environ.get(VARIABLE)
    state = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    beside = [Path(chosen or FOLDER).absolute() / NAME] if chosen != "" else []
    return [*beside, state / "router" / NAME]


def _read(place: Path) -> dict[str, str]:
    with contextlib.suppress(OSError, ValueError):
        if others_can_write(place) is None and place.stat().st_size <= LARGEST:
            told = json.loads(place.read_bytes())
            if isinstance(told, dict):
                return {str(one): str(other) for one, other in told.items()}
    return {}
