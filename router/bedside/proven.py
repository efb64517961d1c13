"""The profiles that have played at a seat for a minute without the router dying: played if a newer one kills it.

Their texts lie each in a file that is named by its digest, and their order in ``proven.json``, the latest first. A text
that does not match its file's name counts as missing: nothing that is found here is trusted.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path

from router.core.units import NANOSECONDS
from router.system.files import replacing

AFTER = 60 * NANOSECONDS
"""How long a profile plays before it counts as proven."""

MOST = 3
"""Texts that are kept of a seat: the latest may be what kills, and the one before it may be of the same child."""

ORDER, TEXT = "proven.json", "proven-{}.yaml"
"""The names of the files."""

_LARGEST = 4096


class Proven:
    """The proven profiles of one seat, in the folder of its memory."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def digests(self) -> list[str]:
        """The digests, the latest first; where their order cannot be read, by their files' times."""
        try:
            return self._order()
        except OSError:
            return self._there()

    def _order(self) -> list[str]:
        """The order as it was written.

        Raises:
            OSError: it is there, and cannot be read.
        """
        try:
            with (self._folder / ORDER).open("rb") as file:
                found = json.loads(file.read(_LARGEST))
        except (FileNotFoundError, NotADirectoryError, ValueError, RecursionError):
            return []
        return [each for each in found if _is_digest(each)][:MOST] if isinstance(found, list) else []

    def _there(self) -> list[str]:
        try:
            found = [(path.stat().st_mtime_ns, path.stem) for path in self._folder.glob(TEXT.format("*"))]
        except OSError:
            return []
        digests = [stem.removeprefix("proven-") for _, stem in sorted(found, reverse=True)]
        return [digest for digest in digests if _is_digest(digest)][:MOST]

    def texts(self, without: Collection[str]) -> list[tuple[Path, str]]:
        """Path and digest of each text, the latest first, ``without`` those."""
        return [(self.path(digest), digest) for digest in self.digests() if digest not in without]

    def path(self, digest: str) -> Path:
        """Where the text of this digest is kept."""
        return self._folder / TEXT.format(digest)

    def keep(self, digest: str, text: bytes) -> None:
        """Keep a text that has proved itself; of those before it the oldest goes.

        Raises:
            OSError: it cannot be written, or what was kept before cannot be read; that is still there.
        """
        before = self._order()
        if before[:1] == [digest]:
            return
        now = [digest, *(each for each in before if each != digest)][:MOST]
        self._folder.mkdir(parents=True, exist_ok=True)
        with replacing(self.path(digest)) as file:
            file.write(text)
        with replacing(self._folder / ORDER) as file:
            file.write(json.dumps(now).encode())
        for path in self._folder.glob(TEXT.format("*")):
            if path not in [self.path(each) for each in now]:
                with suppress(OSError):
                    path.unlink()


def _is_digest(found: object) -> bool:
    return (
        isinstance(found, str)
        and len(found) == hashlib.sha256().digest_size * 2
        and set(found) <= set("0123456789abcdef")
    )
