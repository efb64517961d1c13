"""How loud a sound is, and making it as loud as it should be: ITU-R BS.1770-4 and EBU R 128.

The meter is libebur128, with which many players and encoders measure (MIT licence): Debian has it for every kind of
computer, and Homebrew, too. Of Python's packages pyebur128 is the same library but has no wheel for Python 3.13, and
pyloudnorm needs scipy (some 100 MB), has no true peak and wants the whole sound in memory; the tests compare with it.

Mastering is one gain for the whole sound, and a limiter with a look-ahead where a peak would exceed ``CEILING``: the
gain is the least of a block's neighbours and changes smoothly, so what lies between peaks keeps its shape.
"""

from __future__ import annotations

import ctypes
import math
import os
from collections.abc import Callable, Iterator
from ctypes import POINTER, byref, c_double, c_float, c_int, c_size_t, c_uint, c_ulong, c_void_p
from typing import TYPE_CHECKING, Any, Self

from router.devices.outputs.base import OutputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LOUDNESS = -16.0
"""LUFS, integrated, for music that is heard by itself. Source, from memory: AES TD1008 (2021), with ``CEILING``."""
TOLERANCE = 0.1
"""LU by which the loudness may differ: the meter's own tolerance in EBU Tech 3341."""
CEILING = -1.0
"""dBTP, the highest true peak."""
MOST_LIMITED = 12.0
"""dB by which the highest peak is lowered at most: a few short strokes with long silences between them stay softer than
``LOUDNESS``, as more would be heard as distortion. Our choice."""
TRIES = 6
"""Renderings at most until loudness and peak fit; two serve nearly always."""

SILENCE = 1 / 32_767
"""The least that 16 bits can hold, of 1: a synth that plays nothing is not quite still."""
BLOCK = 64
"""Frames in which one gain is looked for: FluidSynth's own block."""
AHEAD = 30
"""Blocks on each side over which the limiter's gain changes: 40 ms, as long as a period of the lowest notes."""

_GLOBAL, _SHORT_TERM, _TRUE_PEAK = 1 << 2 | 1, 1 << 1 | 1, 1 << 5 | 1 << 4 | 1  # ebur128.h

MISSING = (
    "the loudness meter, libebur128, is not installed\n"
    "Debian: sudo apt install libebur128-1.  Mac: brew install libebur128."
)


def _library() -> Any:
    """libebur128.

    Raises:
        OutputError: it is not installed; the text says how to install it.
    """
    from ctypes.util import find_library  # noqa: PLC0415 - it brings what only Linux has, and only sound files need it

    name = os.environ.get("ROUTER_EBUR128") or find_library("ebur128") or "libebur128.so.1"
    try:
        library = ctypes.CDLL(name)
        declared = {
            "ebur128_init": (c_void_p, c_uint, c_ulong, c_int),
            "ebur128_destroy": (None, POINTER(c_void_p)),
            "ebur128_add_frames_float": (c_int, c_void_p, POINTER(c_float), c_size_t),
            "ebur128_loudness_global": (c_int, c_void_p, POINTER(c_double)),
            "ebur128_loudness_momentary": (c_int, c_void_p, POINTER(c_double)),
            "ebur128_loudness_shortterm": (c_int, c_void_p, POINTER(c_double)),
            "ebur128_true_peak": (c_int, c_void_p, c_uint, POINTER(c_double)),
        }
        for function, (result, *arguments) in declared.items():
            getattr(library, function).restype = result
            getattr(library, function).argtypes = arguments
    except (OSError, AttributeError) as error:
        raise OutputError(MISSING) from error
    return library


def ready() -> None:
    """Check that loudness can be measured.

    Raises:
        OutputError: the meter is not installed; the text says how to install it.
    """
    _library()


class LoudnessMeter:
    """Measures a sound that is given to it piece by piece: ``rate`` frames a second of ``channels`` (left and right).

    Raises:
        OutputError: the meter is not installed.
    """

    def __init__(self, rate: int, channels: int = 2) -> None:
        self._library, self._channels = _library(), channels
        state = self._library.ebur128_init(channels, rate, _GLOBAL | _SHORT_TERM | _TRUE_PEAK)
        if not state:
            raise MemoryError
        self._state = c_void_p(state)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._library.ebur128_destroy(byref(self._state))

    def add(self, frames: NDArray[np.float32]) -> None:
        """Take frames, -1 to 1, the channels in turn."""
        import numpy as np  # noqa: PLC0415 - it comes with pyfluidsynth, and only sound files need it

        data = np.ascontiguousarray(frames, dtype=np.float32)
        place = data.ctypes.data_as(POINTER(c_float))
        self._library.ebur128_add_frames_float(self._state, place, data.size // self._channels)

    @property
    def loudness(self) -> float:
        """Integrated loudness in LUFS; minus infinity for silence, and for less than 0.4 s."""
        return self._said(self._library.ebur128_loudness_global)

    @property
    def momentary(self) -> float:
        """Loudness of the last 0.4 s, in LUFS."""
        return self._said(self._library.ebur128_loudness_momentary)

    @property
    def short_term(self) -> float:
        """Loudness of the last 3 s, in LUFS."""
        return self._said(self._library.ebur128_loudness_shortterm)

    @property
    def true_peak(self) -> float:
        """The highest true peak of all channels, in dBTP; minus infinity for silence."""
        highest = max(self._peak(channel) for channel in range(self._channels))
        return 20 * math.log10(highest) if highest > 0 else -math.inf

    def _said(self, ask: Callable[[c_void_p, Any], int]) -> float:
        found = c_double()
        ask(self._state, byref(found))
        return found.value

    def _peak(self, channel: int) -> float:
        found = c_double()
        self._library.ebur128_true_peak(self._state, channel, byref(found))
        return found.value


def gains(peaks: NDArray[np.float64], gain: float, ceiling: float) -> NDArray[np.float64]:
    """The gain at each boundary of blocks, one more than there are blocks, for blocks with these highest samples.

    ``gain`` and ``ceiling`` are factors. Between two boundaries the gain changes along a line, and no sample exceeds
    ``ceiling``: each gain is a mean of least gains, every one of which covers both blocks beside the boundary.
    """
    import numpy as np  # noqa: PLC0415 - see LoudnessMeter.add

    width = 2 * AHEAD + 1
    wanted = np.pad(np.minimum(gain, ceiling / np.maximum(peaks, 1e-12)), width, constant_values=gain)
    least = np.lib.stride_tricks.sliding_window_view(wanted, width + 1).min(axis=1)
    window = np.hanning(width + 2)[1:-1]
    return np.convolve(least, window / window.sum(), mode="valid")


Pieces = Iterator["NDArray[np.float32]"]
"""A sound in pieces of whole blocks, -1 to 1, left and right in turn."""


def master(render: Callable[[], Pieces], write: Callable[[Pieces], None], rate: int) -> None:
    """Write a sound at ``LOUDNESS`` with no true peak above ``CEILING``; silence is written as it is.

    ``render`` gives the same sound each time it is called, so that it need not be held in memory. ``write`` begins the
    file again each time it is called; what it was given last is right.

    Raises:
        OutputError: the meter is not installed.
    """
    with LoudnessMeter(rate) as meter:
        peaks = [_peaks(piece) for piece in _measured(render(), meter)]
        found = meter.loudness
    import numpy as np  # noqa: PLC0415 - see LoudnessMeter.add

    highest = np.concatenate(peaks) if peaks else np.zeros(0)
    if not len(highest) or highest.max() <= SILENCE:
        write(render())
        return
    ceiling = CEILING - 0.2  # between two samples there may be a little more
    most = ceiling + MOST_LIMITED - 20 * math.log10(highest.max())
    gain = most - MOST_LIMITED if math.isinf(found) else min(LOUDNESS - found, most)  # too soft to be measured yet
    for _ in range(TRIES):
        curve = gains(highest, 10 ** (gain / 20), 10 ** (ceiling / 20))
        with LoudnessMeter(rate) as meter:
            write(_measured(_changed(render(), curve), meter))
            missed, over = LOUDNESS - meter.loudness, meter.true_peak - CEILING
        if over <= 0 and (abs(missed) <= TOLERANCE or (missed > 0 and gain >= most)):
            return
        gain = min(gain + missed, most)
        ceiling -= over + 0.1 if over > 0 else 0.0


def _measured(pieces: Pieces, meter: LoudnessMeter) -> Pieces:
    for piece in pieces:
        meter.add(piece)
        yield piece


def _peaks(piece: NDArray[np.float32]) -> NDArray[np.float64]:
    found: NDArray[np.float64] = abs(piece).reshape(-1, 2 * BLOCK).max(axis=1).astype("f8")
    return found


def _changed(pieces: Pieces, curve: NDArray[np.float64]) -> Pieces:
    import numpy as np  # noqa: PLC0415 - see LoudnessMeter.add

    done = 0
    for piece in pieces:
        blocks = len(piece) // (2 * BLOCK)
        here = curve[done : done + blocks + 1]
        gain = np.interp(np.arange(blocks * BLOCK) / BLOCK, np.arange(blocks + 1), here)
        yield (piece * np.repeat(gain, 2)).astype(np.float32)
        done += blocks
