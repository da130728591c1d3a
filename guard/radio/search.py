"""Searching for the runner's strap, treadmill or pod until it is there to be connected."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace

from guard.devices.peripheral import Peripheral
from guard.devices.seen import RememberedDevice, Seen, Several, Taken, Wanted, pick
from guard.errors import HardwareError
from guard.events import LinkState
from guard.radio import faults
from guard.radio.adapter import Radio, look
from guard.radio.faults import Fault
from guard.radio.listen import Listener, Sighting
from guard.radio.watch import LinkTiming

# The link came to a state; what is in its way, if anything.
TellLink = Callable[[LinkState, Fault | None], None]
Choose = Callable[[Sequence[Seen]], Awaitable[Seen | None]]
Remember = Callable[[RememberedDevice], None]
Hold = Callable[[str], str]  # the address of a device: "" where it is ours, else who holds it


@dataclass(frozen=True, slots=True)
class LinkOptions:
    """How a device is looked for and kept.

    With several in range and no way to tell, `choose` is asked; without it
    HardwareError names them. `remember` is called, off the event loop, with the
    device that gave its first reading. `hold` is asked for the device before
    each attempt to connect: one that another guard holds is left alone.
    `wait_s` is how long the first search may take before HardwareError; None
    searches on. With `patient` nothing found in the way of the search (no
    radio, several that may be meant) is an error: it is said and waited for.
    `timing` None is that of the kind of link.
    """

    choose: Choose | None = None
    remember: Remember | None = None
    hold: Hold | None = None
    wait_s: float | None = None
    patient: bool = False
    timing: LinkTiming | None = None


USUAL_OPTIONS = LinkOptions()


class DeviceSearch:
    """Finds the wanted device, again and again over a session.

    Until it has been connected, a missing radio or several that cannot be told
    apart raise HardwareError; afterwards, and from the start with `patient`,
    the search goes on and says through `tell` what is in its way.
    """

    def __init__(self, peripheral: Peripheral, limits: LinkTiming, wanted: Wanted | None,
                 options: LinkOptions) -> None:
        self.wanted = wanted
        self._peripheral, self._limits = peripheral, limits
        self._choose, self._wait_s, self._patient = options.choose, options.wait_s, options.patient
        self._give_up_s: float | None = None
        self._radio_was_well = options.patient
        self._declined: frozenset[str] = frozenset()
        self._trouble: Fault | None = None

    @property
    def _in_session(self) -> bool:
        return self.wanted is not None and self.wanted.in_session

    def connected(self, found: Sighting) -> None:
        """From now on it is this device and no other."""
        self.wanted = Wanted(found.seen.name, found.seen.address, in_session=True)
        self._give_up_s = self._wait_s = None

    def failed(self, found: Sighting, trouble: Fault) -> None:
        """The attempt to connect failed; said when the search gives up."""
        self._trouble = replace(trouble, what=f"{found.seen.label} was found, but: {trouble.what}")

    async def find(self, tell: TellLink) -> Sighting:
        """The device, in range and ready to be connected."""
        listener = Listener(self._peripheral)
        began_s = self._now_s()
        if self._wait_s is not None and self._give_up_s is None:
            self._give_up_s = began_s + self._wait_s
        while True:
            found = None
            radio = await look(self._limits.ask_s)
            problem = radio.problem
            if not problem:
                self._radio_was_well = self._radio_was_well or radio.connected is not None
                tell(LinkState.SEARCHING, self._hint(listener) if self._late(began_s) else None)
                try:
                    verdict = await self._listen(listener, radio)
                    self._radio_was_well = True
                except Exception as error:  # the radio went away under the scanner
                    problem = faults.explain(error, self._peripheral)
                else:
                    found = await self._settle(verdict, listener, began_s, tell)
            if found is not None:
                return found
            if problem and not self._radio_was_well:
                raise HardwareError(problem.what, problem.fix)
            if self._give_up_s is not None and self._now_s() >= self._give_up_s:
                why = problem or self._hint(listener)
                raise HardwareError(f"after {self._wait_s:g} s: {why.what}", why.fix)
            if problem:
                tell(LinkState.UNAVAILABLE, problem)
                await asyncio.sleep(self._limits.look_every_s)
                began_s = self._now_s()

    async def glance(self) -> Sighting | Fault:
        """One short stretch of listening for a device known already; else why it was not found.

        Nobody is asked: this is for devices the session goes on without.
        """
        radio = await look(self._limits.ask_s)
        if radio.problem:
            return radio.problem.brief()
        listener = Listener(self._peripheral)
        try:
            verdict = await self._listen(listener, radio)
        except Exception as error:
            return faults.explain(error, self._peripheral).brief()
        if isinstance(verdict, Several):
            return Fault("several", f"{len(verdict.seen)} in range may be meant: {_listed(verdict.seen)}")
        found = None if verdict is None else listener.sighting(verdict.seen, verdict.note)
        return found or Fault("not_in_range", "not in range")

    async def _listen(self, listener: Listener, radio: Radio) -> Taken | Several | None:
        """Scan until there is a verdict, for one stretch at most."""
        limits = self._limits
        await listener.add_connected(radio, limits.ask_s)
        end_s = self._now_s() + limits.stretch_s
        if self._give_up_s is not None:
            end_s = min(end_s, self._give_up_s)
        await listener.start(radio, limits.ask_s)
        try:
            while True:
                now_s = self._now_s()
                late = self._give_up_s is not None and now_s >= self._give_up_s
                settled = late or now_s - listener.first_heard_s >= limits.listen_s
                verdict = pick([one.seen for one in listener.sightings], self.wanted, settled=settled)
                if verdict is not None or now_s >= end_s:
                    return verdict
                await listener.news(min(0.5, end_s - now_s))
        finally:
            await listener.stop(limits.part_s)

    async def _settle(
        self, verdict: Taken | Several | None, listener: Listener, began_s: float, tell: TellLink
    ) -> Sighting | None:
        """The sighting meant by the verdict, asking the runner where it takes that."""
        if isinstance(verdict, Taken):
            if self.wanted is None and self._choose is not None and not self._in_session:
                # The only strap heard may be a neighbour's while the runner's own is still dry.
                return await self._ask((verdict.seen,), listener)
            return listener.sighting(verdict.seen, verdict.note)
        if isinstance(verdict, Several):
            if self._choose is None and not self._in_session:
                unclear = (
                    f"{len(verdict.seen)} {self._peripheral.noun}s are in range and none is surely yours: "
                    f"{_listed(verdict.seen)}; say which with `guard straps --remember ADDRESS`")
                if not self._patient:
                    raise HardwareError(unclear)
                tell(LinkState.SEARCHING, Fault("several", unclear))
            return await self._ask(verdict.seen, listener)
        strangers = [one.seen for one in listener.sightings]
        if strangers and self._late(began_s):
            return await self._ask(strangers, listener)
        return None

    async def _ask(self, candidates: Sequence[Seen], listener: Listener) -> Sighting | None:
        """Let the runner choose, once for the same devices, and never in mid-run."""
        labels = frozenset(one.label for one in candidates)
        if self._choose is None or self._in_session or labels <= self._declined:
            await asyncio.sleep(self._limits.look_every_s)
            return None
        # Taken now: after a long thought it would be too old, and the only strap then
        # in range might be a stranger's.
        offered = {one.seen.address: one for one in listener.sightings}
        chosen = await self._choose(candidates)
        self._declined = labels
        if chosen is None:
            return None
        self.wanted = Wanted(chosen.name, chosen.address)
        return offered.get(chosen.address)

    def _late(self, began_s: float) -> bool:
        return self._now_s() - began_s >= self._limits.hint_s

    def _hint(self, listener: Listener) -> Fault:
        """What the runner can do about a device that does not show up."""
        if self._trouble and not self._in_session:
            return self._trouble
        others = [one.seen for one in listener.sightings]
        if self.wanted is None:
            return Fault("not_found", f"no {self._peripheral.what} found yet", self._peripheral.fix)
        fix = self._peripheral.fix
        if others:
            fix += f"; in range: {_listed(others)} (if yours, `guard straps --remember ADDRESS`)"
        return Fault("not_found", f"{self.wanted.label} not found yet", fix)

    @staticmethod
    def _now_s() -> float:
        return asyncio.get_running_loop().time()


def _listed(seen: Sequence[Seen]) -> str:
    return ", ".join(sorted(one.label for one in seen))
