"""The line on a sound card. Its callback only copies, queues and records flags."""

from __future__ import annotations

import time
from dataclasses import dataclass

from voicecoach.audio import drivers, probe
from voicecoach.audio.card import BEHIND_S, Card, Direction
from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Half, Sound
from voicecoach.audio.mix import Mixer
from voicecoach.errors import AudioError


@dataclass(frozen=True, slots=True)
class Device:
    """One device of a sound card. index: its number; inputs, outputs: channel counts; rate_hz: its native rate.

    default: 'input', 'output' or 'both' if it is the system's default there, else ''.
    """

    index: int
    name: str
    inputs: int
    outputs: int
    rate_hz: float
    default: str


def devices() -> list[Device]:
    """The sound devices of this machine.

    Raises:
        AudioError: there is no driver, or it does not start.
    """
    probe.survive("list")
    sd = drivers.load()
    try:
        listed = list(sd.query_devices())
        default_in, default_out = sd.default.device
    except sd.PortAudioError as error:
        raise AudioError(f"cannot list the devices: {error}", where="sound card") from None
    roles = {(True, True): "both", (True, False): "input", (False, True): "output", (False, False): ""}
    return [
        Device(
            index=number,
            name=str(item["name"]),
            inputs=int(item["max_input_channels"]),
            outputs=int(item["max_output_channels"]),
            rate_hz=float(item["default_samplerate"]),
            default=roles[number == default_in, number == default_out],
        )
        for number, item in enumerate(listed)
    ]


class LiveLine:
    """Microphone and speaker as one duplex line in real time.

    Args:
        channels: of the microphone, 1 or 2.
        microphone, speaker: a device's number or part of its name; None: the system's default.
        start: session clock of the first frame (samples), for a resumed session. The clock starts with the first
            `read`; nothing is recorded or played before that.
        direction: both, the speaker alone (the input is silence) or the microphone alone (nothing is played).
        must: raise if the device cannot be opened; otherwise it counts as lost, and `reopen` tries again.

    A separate process first tries whatever is to be opened: see `probe`.

    Raises:
        AudioError: there is no driver, or the device cannot be opened.
    """

    live = True

    def __init__(
        self,
        *,
        channels: int = 1,
        microphone: str | int | None = None,
        speaker: str | int | None = None,
        start: int = 0,
        direction: Direction = "both",
        must: bool = True,
    ) -> None:
        self.channels = channels
        self._device = (_named(microphone), _named(speaker))
        self._direction: Direction = direction
        self._mixer = Mixer()
        self._at = start
        self._read_s: float | None = None  # monotonic time of self._at; None before the first block
        self._flags: list[str] = []
        self._closed = False
        self._why = "is lost"
        self._last: Card | None = None
        self._card: Card | None = None  # None: lost or closed
        try:
            self._last = self._card = self._opened(self._mixer, again=direction != "both")
        except AudioError as error:
            if must:
                raise
            self._why = error.what
            self._read_s = time.monotonic()

    @property
    def lost(self) -> bool:
        """True while there is no card."""
        return self._card is None

    @property
    def delay_s(self) -> float:
        """Delay of `Block.played` that places it shortly before its echo (s)."""
        return self._card.delay / RATE_HZ if self._card is not None else 0.0

    def read(self, timeout_s: float) -> Block | None:
        """The next block; None if the card has none within `timeout_s`.

        Raises:
            AudioError: the card has stopped; every call fails at once until `reopen`.
        """
        card = self._card
        if card is None:
            raise AudioError(self._why, where="sound card")
        if not card.armed:
            self._begin(card)
        end_s = time.monotonic() + timeout_s
        while not card.full:
            if not card.fetch(end_s):
                if why := card.lost():
                    self._card = None
                    card.close()
                    raise AudioError(why, where="sound card")
                return None
        heard, played, ended, flags = card.block(self._at)
        at = self._at
        self._at += BLOCK_FRAMES
        self._read_s = time.monotonic()
        flags = (*self._flags, *flags)
        self._flags.clear()
        if ended and card.behind_s > BEHIND_S and not self._mixer.busy:
            # a prompt has just ended: nobody is likely to be answering yet
            self._read_s -= card.behind_s
            card.restart()
        return Block(at, heard, played, ended, flags)

    def play(self, sound: Sound) -> None:
        """Queue a sound; the driver takes it at its next callback (20 ms)."""
        self._mixer.play(sound)

    def silence(self) -> None:
        """Fade out the current sound and drop the queue."""
        self._mixer.silence()

    def reopen(self) -> None:
        """Try to open the card again, from any thread. The clock continues as if it had never stopped.

        Sounds that were playing or queued are forgotten without a report; the caller plays them again if needed.

        Raises:
            AudioError: it cannot be opened yet; try again later.
        """
        self._release()
        mixer = Mixer()
        card = self._opened(mixer, again=True)
        if self._closed:
            card.close(wait_s=1.0)
            return
        self._mixer = mixer
        self._card = self._last = card

    def half(self, half: Half, start: int) -> LiveLine:
        """The speaker or the microphone of this line alone, while both together are unavailable.

        Raises:
            AudioError: that half cannot be opened either.
        """
        self._release()
        microphone, speaker = self._device
        return LiveLine(channels=self.channels, microphone=microphone, speaker=speaker, start=start, direction=half)

    def there(self, half: Half) -> bool:
        """Whether that half delivers frames again. A separate process tries it: PortAudio finds new devices only when
        it is restarted, which would end the half in use. Takes about a second.
        """
        return probe.gives(channels=self.channels, device=self._device, direction=half)

    def _opened(self, mixer: Mixer, *, again: bool) -> Card:
        probe.survive("open", channels=self.channels, device=self._device, direction=self._direction)
        return Card(drivers.load(), mixer, self.channels, self._device, self._direction, again=again)

    def _release(self) -> None:
        self._card = None
        if self._last is not None:
            self._last.close(wait_s=1.0)

    def _begin(self, card: Card) -> None:
        if self._read_s is not None:
            gap_s = time.monotonic() - self._read_s
            self._at += round(gap_s * RATE_HZ)
            self._flags.append(f"gap of {gap_s:.1f} s")
        card.arm(self._at)

    def close(self) -> None:
        """Release the card; safe to call twice."""
        self._closed = True
        self._release()


def _named(device: str | int | None) -> str | int | None:
    """A device as drivers expect it: '2' is the number 2, any other text part of a name."""
    return int(device) if isinstance(device, str) and device.isdecimal() else device
