"""The Universal Identity Request, and what a synth answers.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 40 (request and reply), pp. 34, 35 (identity
numbers, device 7F). A maker is shown as the bytes of its number.
"""

from __future__ import annotations

from dataclasses import dataclass

REQUEST = bytes.fromhex("F0 7E 7F 06 01 F7")
"""Asks every device on the cable; one that knows the request answers, whatever its number."""

_SHORT, _LONG = 15, 17
"""Bytes of a reply, with a maker's number of one byte, and of three (which begins with 00)."""


@dataclass(frozen=True, slots=True)
class Identity:
    """What one synth says of itself. `family` and `member` are 14-bit numbers."""

    device: int
    maker: bytes
    family: int
    member: int
    version: bytes

    def __str__(self) -> str:
        maker, version = self.maker.hex(" ").upper(), self.version.hex(" ").upper()
        return (
            f"maker {maker}, family {self.family}, member {self.member}, version {version}, "
            f"device number {self.device}"
        )

    def as_dict(self) -> dict[str, object]:
        """The same as plain data, for JSON."""
        return {
            "device_number": self.device,
            "maker": self.maker.hex(" ").upper(),
            "family": self.family,
            "member": self.member,
            "version": self.version.hex(" ").upper(),
        }


def read_reply(data: bytes) -> Identity | None:
    """The identity in an Identity Reply; None for any other message, and for a broken reply.

    `F0 7E device 06 02 maker family family member member version*4 F7`: the maker is one byte, or
    three where the first is 00; family and member come with their low seven bits first.
    """
    if data[:2] != b"\xf0\x7e" or data[3:5] != b"\x06\x02" or data[-1:] != b"\xf7":
        return None
    if any(byte > 127 for byte in data[1:-1]):
        return None
    size = 3 if data[5:6] == b"\0" else 1
    if len(data) != (_SHORT if size == 1 else _LONG):
        return None
    rest = data[5 + size : -1]
    return Identity(
        device=data[2],
        maker=data[5 : 5 + size],
        family=rest[0] | rest[1] << 7,
        member=rest[2] | rest[3] << 7,
        version=rest[4:],
    )
