"""A daemon that runs in the test's own process, with real terminals as serial lines and outputs
that keep what they are sent.
"""

import gc
import os
import signal
import threading
import time

from router.devices.outputs.base import Output
from router.devices.outputs.shared import SharedOutputs
from router.files.profile import load
from router.live.daemon import Daemon
from tests.shared.waiting import until

TWO = """
profile: 1
child: wren
inputs:
  left: {{type: switch, device: {{serial: "{left}"}}, debounce: 0 ms}}
  right: {{type: switch, device: {{serial: "{right}"}}, debounce: 0 ms}}
parts:
  low: {{input: left, rules: [note: {{pitch: 48}}], output: {{port: one}}}}
  high: {{input: right, rules: [note: {{pitch: 72}}], output: {{port: two}}}}
outputs:
  one: {{midi: "one"}}
  two: {{midi: "two"}}
"""


WAIT = 20.0


class Kept(Output):
    """Keeps what it is sent; with ``fails`` it fails from then on."""

    def __init__(self, name):
        self.name, self.description = name, f"output {name}"
        self.sent = []
        self.fails = self.gone = self.closed = False

    def send(self, data, now):
        if self.fails:
            raise OSError(5, "broken")
        assert not self.closed
        self.sent.append(data)

    def present(self):
        return not self.gone

    def close(self):
        self.closed = True


class Log:
    """Keeps what is said."""

    def __init__(self):
        self.said = []

    def __getattr__(self, level):
        return lambda event, **fields: self.said.append((level, event, fields))

    def count(self, event):
        return sum(said == event for _level, said, _fields in list(self.said))


class Running:
    """A daemon that runs in this thread while ``steps`` runs in another; it is stopped by a signal after the last."""

    def __init__(self, tmp_path, monkeypatch, profile=TWO, *, real=False, **paths):
        self.lines = {name: os.openpty() for name in ("left", "right")}
        path = tmp_path / "wren.yaml"
        # Links, as udev makes them: the number of a line that was closed is soon another's, of any process.
        self._nodes = {name: tmp_path / f"usb-{name}" for name in self.lines}
        for name, (_, slave) in self.lines.items():
            self._nodes[name].symlink_to(os.ttyname(slave))
        path.write_text(profile.format(**{**self._nodes, **paths}), encoding="utf-8")
        self.outputs = {}
        if not real:
            monkeypatch.setattr(SharedOutputs, "open", lambda _, name, device: self.open_output(name, device))
        self.log = Log()
        self.record = []
        self.daemon = Daemon({"": load(path)}, self.log, lambda *event: self.record.append(event))

    def open_output(self, name, _device):
        self.outputs.setdefault(name, []).append(Kept(name))
        return self.outputs[name][-1]

    def sent(self, name):
        return [data for output in self.outputs[name] for data in output.sent]

    def press(self, name, pressed=True):
        time.sleep(0.15 if pressed else 0)  # what is pressed when the line is opened was not pressed for us
        os.write(self.lines[name][0], b"1\n" if pressed else b"0\n")

    def unplug(self, name):
        """Pull a line out for good; its number is another line's at once."""
        self._nodes[name].unlink()
        for end in self.lines[name]:
            os.close(end)
        self.lines[name] = os.openpty()

    def until(self, true):
        until(true, WAIT, lambda: (self.log.said, {n: self.sent(n) for n in self.outputs}), every=0.005)

    def run(self, steps):
        failed = []

        def go():
            try:
                self.until(lambda: self.log.count("start"))
                steps()
            except BaseException as error:  # noqa: BLE001 - told by the test's own thread
                failed.append(error)
            finally:
                os.kill(os.getpid(), signal.SIGTERM)

        thread = threading.Thread(target=go)
        before = gc.get_threshold()
        try:
            ended_by = self.daemon.run(thread.start)
        finally:  # the process is the tests', and goes on
            gc.set_threshold(*before)
            gc.unfreeze()
        thread.join()
        if failed:
            raise failed[0]
        assert ended_by == signal.SIGTERM

    def close(self):
        for ends in self.lines.values():
            for end in ends:
                os.close(end)
