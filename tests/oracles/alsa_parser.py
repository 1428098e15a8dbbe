"""libasound through ctypes, as a reader of MIDI bytes that shares no code with us."""

from __future__ import annotations

import ctypes

EVENT_BYTES = 28


class AlsaParser:
    """libasound's reader of a MIDI byte stream; it needs no sound device."""

    LONGEST = 256

    def __init__(self) -> None:
        """OSError where Debian's libasound2 is missing."""
        self._library = library = ctypes.CDLL("libasound.so.2")
        library.snd_midi_event_new.argtypes = [ctypes.c_size_t, ctypes.c_void_p]
        library.snd_midi_event_init.argtypes = [ctypes.c_void_p]
        library.snd_midi_event_no_status.argtypes = [ctypes.c_void_p, ctypes.c_int]
        library.snd_midi_event_encode_byte.argtypes = [
            ctypes.c_void_p,
            ctypes.c_int,
            ctypes.c_void_p,
        ]
        library.snd_midi_event_decode.argtypes = [
            ctypes.c_void_p, ctypes.c_void_p, ctypes.c_long, ctypes.c_void_p,
        ]  # fmt: skip
        library.snd_midi_event_decode.restype = ctypes.c_long
        self._reader, self._writer = ctypes.c_void_p(), ctypes.c_void_p()
        for coder in (self._reader, self._writer):
            assert library.snd_midi_event_new(self.LONGEST, ctypes.byref(coder)) == 0
        library.snd_midi_event_no_status(self._writer, 1)  # no running status
        self._event = ctypes.create_string_buffer(64)
        self._bytes = ctypes.create_string_buffer(self.LONGEST)

    def parse(self, stream: bytes) -> list[tuple[int, bytes]]:
        """Each message of a stream, and how many bytes had been read when it was whole."""
        library, found = self._library, []
        library.snd_midi_event_init(self._reader)
        for count, byte in enumerate(stream, start=1):
            if library.snd_midi_event_encode_byte(self._reader, byte, self._event) == 1:
                size = library.snd_midi_event_decode(
                    self._writer, self._bytes, self.LONGEST, self._event
                )
                found.append((count, self._bytes.raw[:size]))
        return found

    def event_of(self, message: bytes) -> bytes:
        """The event that libasound makes of a message, without the bytes of a SysEx."""
        self._library.snd_midi_event_init(self._reader)
        ctypes.memset(self._event, 0, EVENT_BYTES)  # it leaves alone what a message does not need
        for byte in message:
            if self._library.snd_midi_event_encode_byte(self._reader, byte, self._event) == 1:
                return self._event.raw[:EVENT_BYTES]
        raise AssertionError(f"{message.hex(' ')} is no message for libasound")

    def bytes_of(self, event: bytes) -> bytes:
        """What libasound makes of an event that is whole by itself; nothing where that is none."""
        given = ctypes.create_string_buffer(event, EVENT_BYTES)
        size = self._library.snd_midi_event_decode(self._writer, self._bytes, self.LONGEST, given)
        return self._bytes.raw[: max(size, 0)]
