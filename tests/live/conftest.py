"""A PC with two seats, for several tests of this room."""

import pytest

from tests.shared.children import Children, Line
from tests.shared.parts import Listener


@pytest.fixture
def children(part, tmp_path, jack_server):  # noqa: ARG001 - the server must run
    """Begin with two seats, and return the PC, who listens, and the switches."""

    def begin(**options):
        listener = part(Listener)
        lines = [part(Line), part(Line)]
        room = options.pop("room", "room: {}")
        pc = part(lambda folder: Children(folder, listener.client, lines, room=room, **options))
        pc.start()
        return pc, listener, lines

    return begin
