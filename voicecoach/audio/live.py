"""The line through a sound card. The callback only copies, queues and notes flags."""

from __future__ import annotations

import time
from dataclasses import dataclass

from voicecoach.audio import drivers, probe
from voicecoach.audio.card import BEHIND_S, Card, Half, Way
from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Sound
from voicecoach.audio.mix import Mixer
from voicecoach.errors import AudioError


@dataclass(frozen=True, slots=True)
class Device:
    """What a sound card offers. index: number to name it by; inputs, outputs: channels; rate_hz: its own rate.

    default: '', 'input', 'output' or 'both', as the system's default for these.
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
        start: session clock of the first frame, when a session goes on (samples). The clock begins with the first
            `read`: until then nothing is heard or played.
        way: both, or only the speaker (silence is heard) or only the microphone (nothing is played).
        must: without it a device that cannot be opened is one that is lost, to be tried again by `reopen`.

    Whatever it opens, a process of its own has opened before: see `probe`.

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
        way: Way = "both",
        must: bool = True,
    ) -> None:
        self.channels = channels
        self._device = (_named(microphone), _named(speaker))
        self._way: Way = way
        self._mixer = Mixer()
        self._at = start
        self._read_s: float | None = None  # when self._at was true, monotonic; None before the first block
        self._flags: list[str] = []
        self._closed = False
        self._why = "is lost"
        self._last: Card | None = None
        self._card: Card | None = None  # None: lost or closed
        try:
            self._last = self._card = self._opened(self._mixer, again=way != "both")
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
        """By how much `Block.played` is put off to lie shortly before its echo (s)."""
        return self._card.delay / RATE_HZ if self._card is not None else 0.0

    def read(self, timeout_s: float) -> Block | None:
        """The next block; None when the card has given none within `timeout_s`.

        Raises:
            AudioError: the card has stopped; from then on at once, until `reopen`.
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
            # now nobody is likely to be answering yet
            self._read_s -= card.behind_s
            card.start_anew()
        return Block(at, heard, played, ended, flags)

    def play(self, sound: Sound) -> None:
        """Queue a sound; it is given to the driver at its next call (20 ms)."""
        self._mixer.play(sound)

    def silence(self) -> None:
        """Fade out what sounds and drop what is queued."""
        self._mixer.silence()

    def reopen(self) -> None:
        """Try to open the card again, in any thread. The clock goes on as if it had never stopped.

        What was sounding or queued is forgotten without a report: who still wants it said plays it again.

        Raises:
            AudioError: it cannot be opened yet; try again later.
        """
        self._let_go()
        mixer = Mixer()
        card = self._opened(mixer, again=True)
        if self._closed:
            card.close(wait_s=1.0)
            return
        self._mixer = mixer
        self._card = self._last = card

    def half(self, way: Half, start: int) -> LiveLine:
        """Only the speaker or only the microphone of this line, while the whole cannot be had.

        Raises:
            AudioError: that cannot be opened either.
        """
        self._let_go()
        microphone, speaker = self._device
        return LiveLine(channels=self.channels, microphone=microphone, speaker=speaker, start=start, way=way)

    def there(self, way: Half) -> bool:
        """Whether that half gives frames again, asked by a process of its own: PortAudio finds new devices only when
        it is started anew, which would end the half in use. Takes about a second.
        """
        return probe.gives(channels=self.channels, device=self._device, way=way)

    def _opened(self, mixer: Mixer, *, again: bool) -> Card:
        probe.survive("open", channels=self.channels, device=self._device, way=self._way)
        return Card(drivers.load(), mixer, self.channels, self._device, self._way, again=again)

    def _let_go(self) -> None:
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
        """Let the card go; safe to call twice."""
        self._closed = True
        self._let_go()


def _named(device: str | int | None) -> str | int | None:
    """A device as drivers want it: '2' is the number 2, any other text part of a name."""
    return int(device) if isinstance(device, str) and device.isdecimal() else device
