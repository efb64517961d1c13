"""A PC with two seats and a switch at each, over JACK."""

import os

from tests.shared.bedside import Bedside
from tests.shared.parts import unique

PROFILE = """
profile: 1
child: {child}
music: {{key: C, scale: major, tempo: 60 bpm, follow: {follow}}}
inputs:
  pad: {{type: switch, device: {{serial: "{line}"}}, debounce: 0 ms}}
parts:
  tune:
    input: pad
    rules: [{rules}]
    output: {{port: synth, channel: 1}}
outputs:
  synth: {{midi: "{synth}:*"}}
"""


CHORD = "note: {degree: 1}, chord: {follow: true}"


class Line:
    """A switch on a serial line."""

    def __init__(self, folder):

        self._master, self._slave = os.openpty()
        self.path = folder / unique("usb-switch")
        self.path.symlink_to(os.ttyname(self._slave))

    def press(self, pressed=True):

        os.write(self._master, b"1\n" if pressed else b"0\n")

    def close(self):

        os.close(self._master)
        os.close(self._slave)


class Children(Bedside):
    """A PC with two seats, and their children's profiles."""

    def __init__(self, folder, synth, lines, *, room, rules=(CHORD, CHORD), follow="room", seats=("", "")):
        self.lines, self.rules, self.follow = lines, rules, follow
        more = "".join(
            f"  {seat}: {{profile: {child}, folder: {folder / seat}{settings}}}\n"
            for seat, child, settings in zip(("window", "door"), ("wren", "lark"), seats, strict=True)
        )
        super().__init__(folder, synth, lines[0])
        for seat, child, line, rule in zip(("window", "door"), ("wren", "lark"), lines, rules, strict=True):
            (folder / seat).mkdir()
            text = PROFILE.format(child=child, line=line.path, synth=synth, rules=rule, follow=follow)
            (folder / seat / f"{child}.yaml").write_text(text, encoding="utf-8")
        text = self.config.read_text(encoding="utf-8").partition("seats:")[0]
        self.config.write_text(f"{text}seats:\n{more}{room}\nchime: no\n", encoding="utf-8")

    def put(self, *_):
        """Each seat's profile is put there at the beginning."""
