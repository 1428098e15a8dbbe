"""program_map: asks for other programs than those that come in."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from pointsman.plugin import (
    Emission,
    Host,
    Plugin,
    PluginOptions,
    Program,
    hookimpl,
    program_change,
    stateless,
)


class ProgramMapOptions(PluginOptions):
    """What program_map can be told."""

    moves_nothing = True

    map: Annotated[
        dict[Program, Program],
        Field(description="for each program that comes in, the program that goes on"),
    ]
    others: Annotated[
        Literal["pass", "drop"], Field(description="what becomes of programs not in the map")
    ] = "pass"


class ProgramMap(Plugin[ProgramMapOptions]):
    """Asks for other programs than those that come in.

    Bank select is a control and passes as it came, so it stays before its program change.
    """

    name = "program_map"
    Options = ProgramMapOptions

    def __init__(self, options: ProgramMapOptions, host: Host) -> None:
        super().__init__(options, host)
        self._map = {source - 1: target - 1 for source, target in options.map.items()}
        self._drops = options.others == "drop"

    @stateless
    def on_program(self, data: bytes, t_ns: int) -> Emission:
        """Change the program, or see what becomes of the others."""
        program = self._map.get(data[1])
        if program is None:
            return None if self._drops else data
        return data if program == data[1] else program_change(data[0] & 0x0F, program)


@hookimpl
def pointsman_plugins() -> list[type[ProgramMap]]:
    """Offer program_map."""
    return [ProgramMap]
