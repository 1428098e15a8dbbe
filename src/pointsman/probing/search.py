"""find-channel: which channels a synth hears notes on, found out step by step.

How this works. What can be had from the synth itself is tried first: who it is, then whether it
sends back what it plays. Then a meter decides, if there is one, and else the person. Whoever
decides is asked twice: what a first walk over the channels shows is played again, one channel
alone, with another beside it that should stay silent.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

from pointsman.probing import walking
from pointsman.probing.identity import REQUEST, Identity, read_reply
from pointsman.probing.steps import Ask, Play, Probe, Say, Witness
from pointsman.probing.walking import QUICK, SLOW, Pace, slots_of, walk
from pointsman.units import NS_PER_MS

ALL_CHANNELS = tuple(range(1, 17))
IDENTITY_WAIT_NS = 700 * NS_PER_MS
"""How long to wait for who it is: no limit is published; 17 bytes take a wire 5.4 ms."""

_MANY = 8
"""If so many channels sounded, it is likely that all do, and some were missed."""

_OCTAVE, _TONE = 12, 2


class Kind(StrEnum):
    """What was found."""

    ONE = "one"
    SEVERAL = "several"
    ALL = "all"
    NONE = "none"


class By(StrEnum):
    """Who said so."""

    EAR = "ear"
    MIDI = "midi"
    METER = "meter"


@dataclass(frozen=True, slots=True)
class Plan:
    """What to play, and who is there to notice.

    `note` is 0-127, `velocity` 1-127, `channels` are 1-16.
    """

    note: int = 60
    velocity: int = 40
    channels: tuple[int, ...] = ALL_CHANNELS
    has_input: bool = False
    has_meter: bool = False
    has_person: bool = True


@dataclass(frozen=True, slots=True)
class Finding:
    """The channels (1-16) on which the note sounded, of those that were tried.

    `sends_on` are the channels on which the synth sent the note back; `loops` says that
    everything came back as it was sent, which tells nothing.
    """

    channels: tuple[int, ...]
    tried: tuple[int, ...]
    by: By
    identities: tuple[Identity, ...] = ()
    sends_on: tuple[int, ...] = ()
    loops: bool = False

    @property
    def kind(self) -> Kind:
        """Whether it is one channel, several, all that were tried, or none."""
        if len(self.channels) <= 1:
            return Kind.ONE if self.channels else Kind.NONE
        return Kind.ALL if len(self.channels) == len(self.tried) else Kind.SEVERAL

    def as_dict(self) -> dict[str, object]:
        """The same as plain data, for JSON."""
        return {
            "found": str(self.kind),
            "channels": list(self.channels),
            "tried": list(self.tried),
            "by": str(self.by),
            "sends_on": list(self.sends_on),
            "loops": self.loops,
            "identities": [identity.as_dict() for identity in self.identities],
        }


def search(plan: Plan) -> Probe[Finding]:
    """Find the channels."""
    return (yield from _Search(plan).run())


class _Search:
    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._identities: tuple[Identity, ...] = ()
        self._loops = False

    def run(self) -> Probe[Finding]:
        plan = self.plan
        found: Finding | None = None
        if plan.has_input:
            yield from self._ask_who()
            found = yield from self._by_answer()
        if found is None and plan.has_meter:
            found = yield from self._by_meter()
        if (found is None or found.kind is Kind.NONE) and plan.has_person:
            found = yield from self._by_ear()
        return found or self._finding((), By.MIDI if plan.has_input else By.METER)

    def _finding(
        self, channels: Collection[int], by: By, sends_on: Collection[int] = ()
    ) -> Finding:
        return Finding(
            tuple(sorted(channels)), self.plan.channels, by, self._identities,
            tuple(sorted(sends_on)), self._loops,
        )  # fmt: skip

    # ---- the synth itself --------------------------------------------------------------------

    def _ask_who(self) -> Probe[None]:
        witness: Witness = yield Play(((0, REQUEST),), IDENTITY_WAIT_NS)
        replies = (read_reply(data) for _, data in witness.heard)
        self._identities = tuple(dict.fromkeys(reply for reply in replies if reply))
        for identity in self._identities:
            yield Say(f"It answers: {identity}.")
        if not self._identities:
            yield Say("It does not say who it is (many synths do not know that question).")

    def _by_answer(self) -> Probe[Finding | None]:
        """Whether it sends back what it plays, and on which channels that is."""
        yield Say("Listening to its MIDI output, while each channel gets a short note:")
        found = yield from self._answers(self.plan.channels, self.plan.note)
        if not found:
            yield Say(
                "Its MIDI output stays silent: it does not send what it plays, or hears none."
            )
            return None
        if len(found) > 2 and found == {channel: {channel} for channel in self.plan.channels}:
            self._loops = True
            yield Say(
                "Everything comes back as it was sent: a MIDI thru or a loop. That tells nothing."
            )
            return None
        again, silent = self._once_more(list(found))
        sure = yield from self._answers([*again, *silent], _moved(self.plan.note, _TONE))
        if not sure:
            yield Say("The second time nothing came back: somebody played, or a cable is loose.")
            return None
        channels = list(found) if set(again) <= set(sure) else list(sure)
        sends_on = {channel for answers in sure.values() for channel in answers}
        return self._finding({*channels, *sure}, By.MIDI, tuple(sends_on))

    def _answers(self, channels: Sequence[int], note: int) -> Probe[dict[int, set[int]]]:
        slots = slots_of(channels, QUICK)
        witness: Witness = yield walk(slots, note, self.plan.velocity)
        return walking.answered(slots, note, witness)

    def _once_more(self, found: Sequence[int]) -> tuple[list[int], list[int]]:
        """What to play again: some of the channels that sounded, and one that should be silent."""
        again = list(found)
        if len(found) > _MANY:
            again = [found[0], found[len(found) // 2], found[-1]]
        others = [channel for channel in self.plan.channels if channel not in found]
        return again, others[len(others) // 2 :][:1]

    # ---- a meter -----------------------------------------------------------------------------

    def _by_meter(self) -> Probe[Finding | None]:
        yield Say("Reading the meter, while each channel gets a note:")
        found = yield from self._louder(self.plan.channels)
        if found is None:
            yield Say("The meter says nothing: no number came from it while the notes played.")
            return None
        if not found:
            yield Say("The level does not rise on any channel.")
            return self._finding((), By.METER)
        again, silent = self._once_more(found)
        sure = (yield from self._louder([*again, *silent])) or []
        if set(again) <= set(sure):
            return self._finding({*found, *sure}, By.METER)
        return self._finding(sure, By.METER)

    def _louder(self, channels: Sequence[int]) -> Probe[list[int] | None]:
        slots = slots_of(channels, SLOW)
        witness: Witness = yield walk(slots, self.plan.note, self.plan.velocity)
        return walking.loud(slots, witness)

    # ---- a person ----------------------------------------------------------------------------

    def _by_ear(self) -> Probe[Finding]:
        plan, note = self.plan, self.plan.note
        while True:
            yield Say("Press Enter each time you hear the note:")
            slots = slots_of(plan.channels, SLOW)
            witness: Witness = yield walk(slots, note, plan.velocity)
            found = walking.pressed(slots, witness)
            if found or note != plan.note:
                break
            if not (yield Ask("Nothing heard. Once more, an octave away", True)):
                break
            note = _moved(plan.note, _OCTAVE)
        if not found:
            return self._finding((), By.EAR)
        yield Say("Now one channel at a time, to be sure.")
        sure = yield from self._heard_again(found, note)
        return self._finding(sure, By.EAR)

    def _heard_again(self, found: list[int], note: int) -> Probe[set[int]]:
        again, silent = self._once_more(found)
        sure = set()
        for channel in again:
            if (yield from self._heard_alone(channel, note, True)):
                sure.add(channel)
        if len(found) == 1 and not sure:  # the key came late: it was the channel before, or after
            tried = self.plan.channels
            place = tried.index(found[0])
            for channel in (*tried[max(place - 1, 0) : place], *tried[place + 1 : place + 2]):
                if (yield from self._heard_alone(channel, note, True)):
                    sure.add(channel)
                    break
        every = set(again) <= sure
        for channel in silent:
            if sure and (yield from self._heard_alone(channel, note, False)):
                sure.add(channel)
                if every and len(found) > _MANY:
                    return set(self.plan.channels)
                return (yield from self._all_or_some(sure, note))
        return {*found, *sure} if every else sure

    def _all_or_some(self, sure: set[int], note: int) -> Probe[set[int]]:
        """A channel sounded that should not: the first and the last say whether all do."""
        for channel in (self.plan.channels[0], self.plan.channels[-1]):
            if channel not in sure:
                if not (yield from self._heard_alone(channel, note, False)):
                    return sure
                sure.add(channel)
        return set(self.plan.channels)

    def _heard_alone(self, channel: int, note: int, expected: bool) -> Probe[bool]:
        slots = slots_of([channel], Pace(SLOW.note_ns, 300 * NS_PER_MS, 300 * NS_PER_MS))
        yield walk(slots, note, self.plan.velocity)
        yes: bool = yield Ask(f"Did you hear it on channel {channel}", expected)
        return yes


def _moved(note: int, by: int) -> int:
    """A note so much higher, or lower where there is none."""
    return note + by if note + by <= 127 else note - by
