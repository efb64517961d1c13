"""Seats that look for devices, without a daemon around them."""

import pytest

from router.devices.descriptions import EvdevSwitch, TerminalKey
from router.devices.inputs import open_input, wish_for
from router.devices.inputs.base import DeviceLost, DeviceMissing
from router.devices.inputs.shared import Sharing


class Room:
    """Seats that look for devices."""

    def __init__(self, *, keep=False):
        self.sharing = Sharing(keep=keep)
        self.wishes = {}
        self.inputs = {}

    def wants(self, who, **devices):
        types = {
            name: "switch" if isinstance(d, EvdevSwitch | TerminalKey) else "pressure" for name, d in devices.items()
        }
        self.wishes[who] = (wish_for(self.sharing, f'seat "{who}"', devices), devices, types)
        return self

    def opens(self, who):
        wish, devices, types = self.wishes[who]
        self.inputs[who] = open_input(devices, types, wish)
        return self.inputs[who]

    def refusal(self, who):
        with pytest.raises(DeviceMissing) as refused:
            self.opens(who)
        return refused.value

    def loses(self, who):
        """As the daemon does when a device has gone; the seat still looks for it."""
        with pytest.raises(DeviceLost):
            self.inputs[who].read(0)
        self.leaves(who, wanted=True)

    def leaves(self, who, *, wanted=False):
        wish, _, _ = self.wishes[who]
        self.inputs.pop(who).close()
        self.sharing.let_go(wish)
        if not wanted:
            self.sharing.withdraw(wish)

    def samples(self, who, now=9):
        return [sample for _stamp, sample in self.inputs[who].read(now)]

    def close(self):
        for each in self.inputs.values():
            each.close()
