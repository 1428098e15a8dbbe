"""The question for a port: a numbered list of what is here, and ways to name what is not."""

from __future__ import annotations

from collections.abc import Collection

from pointsman.asking import Asking, Usual
from pointsman.errors import UsageError
from pointsman.setup.places import Place, Places

_VIRTUAL = "a port of our own, which other programs connect to"
_ABSENT = "one that is not connected now: type its name"
_NOTHING = "nothing yet (null:)"


class PortQuestion:
    """Asks for ports, of which all that there are were looked up once."""

    def __init__(self, ask: Asking, places: Places) -> None:
        self._ask = ask
        self._places = places

    def ask(
        self,
        question: str,
        told: str | None,
        option: str,
        is_input: bool,
        used: Collection[str] = (),
    ) -> Place:
        """The port that `told` means, else the one that is chosen; `option` would have said it.

        The first system port that is not `used` yet is offered.
        """
        if told is not None:
            return self._told(told, option, is_input)
        if isinstance(self._ask, Usual):
            self._ask.line(question, option=f"{option}PORT")
        if is_input and self._places.missing:
            self._ask.say(f"No MIDI ports can be seen: {self._places.missing}.")
            self._ask.say("Ports can be named by hand all the same.")
        choices = self._places.choices(is_input=is_input)
        special = [_VIRTUAL, _ABSENT, *([] if is_input else [_NOTHING])]
        free = [n for n, each in enumerate(choices, 1) if each.asks_wire and each.port not in used]
        default = str(free[0]) if free else ""
        self._ask.say(question)
        self._ask.listed([*map(_shown, choices), *special])
        while True:
            place = self._ask.until_right(
                "Its number, or a name",
                lambda text: self._read(text, choices, special, is_input),
                default,
                option=f"{option}PORT",
            )
            if not place.absent or self._places.missing or self._takes(place):
                return place

    def _told(self, told: str, option: str, is_input: bool) -> Place:
        try:
            place = self._places.settle(told, is_input=is_input)
        except ValueError as error:
            raise UsageError(f"{option}{told}: {error}") from None
        if place.absent:
            why = self._places.missing or "it is not here now"
            self._ask.say(f"Note: '{told}' is taken as it is written: {why}.")
        return place

    def _read(self, text: str, choices: list[Place], special: list[str], is_input: bool) -> Place:
        """A port by its number in the list, else by its name."""
        if not text:
            raise ValueError("answer with a number of the list, or type a name")
        if not (text.isascii() and text.isdecimal()):
            return self._places.settle(text, is_input=is_input)
        number, last = int(text), len(choices) + len(special)
        if not 1 <= number <= last:
            raise ValueError(f"answer with a number from 1 to {last}, or type a name")
        if number <= len(choices):
            return choices[number - 1]
        text = self._special(special[number - len(choices) - 1], is_input)
        return self._places.settle(text, is_input=is_input)

    def _special(self, chosen: str, is_input: bool) -> str:
        if chosen == _NOTHING:
            return "null:"
        if chosen == _VIRTUAL:
            default = "Harbour In" if is_input else "Harbour Out"
            return "virtual:" + self._ask.line("What shall our port be called", default)
        return self._ask.line("Its name, or a part of it")

    def _takes(self, place: Place) -> bool:
        return self._ask.yes(f"There is no port '{place.port}' now. Take it all the same?", True)


def _shown(place: Place) -> str:
    if place.port.startswith("serial:"):
        return f"{place.port} (with a DIN socket wired to it)"
    return place.port if place.lasting else f"{place.port} (until replugged)"
