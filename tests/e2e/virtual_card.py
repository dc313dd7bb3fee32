"""A sound card made of software: PulseAudio with a speaker and a person's voice as sinks, reached through ALSA.

What the coach plays goes to the sink 'speaker', whose monitor can be recorded; what is played into the sink 'person' is
what the coach's microphone hears. Linux only; needs pulseaudio, pactl, pacat and parec (pulseaudio-utils), ALSA's pulse
plugin (libasound2-plugins) and PortAudio (libportaudio2).

As a program: `python virtual_card.py COMMAND...` runs a command with such a card as its only one.
"""

from __future__ import annotations

import contextlib
import ctypes.util
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

CARD_HZ = 48_000
NEEDED = ("pulseaudio", "pactl", "pacat", "parec")
RAW = ("--raw", "--format=s16le", f"--rate={CARD_HZ}")
MODULES = """
load-module module-native-protocol-unix auth-anonymous=1 auth-cookie-enabled=0 socket={socket}
load-module module-cli-protocol-unix socket={socket}.commands
load-module module-null-sink sink_name=speaker rate=48000 channels=1 channel_map=mono
load-module module-null-sink sink_name=person rate=48000 channels={channels} channel_map={channel_map}
set-default-sink speaker
"""
DEVICES = """
</usr/share/alsa/alsa.conf>
pcm.coach_speaker {{ type pulse server "unix:{socket}" device "speaker" hint {{ show on description "speaker" }} }}
pcm.coach_microphone {{ type pulse server "unix:{socket}" device "microphone" hint {{ show on description "mic" }} }}
pcm.coach_card {{
  type asym
  playback.pcm "coach_speaker"
  capture.pcm "coach_microphone"
  hint {{ show on description "both ways" }}
}}
"""
MICROPHONE = "module-remap-source source_name=microphone master=person.monitor remix=no"


def missing() -> str:
    """Why there can be no virtual card here; '' if there can."""
    if sys.platform != "linux":
        return "the virtual sound card is made with PulseAudio on Linux"
    lacking = [name for name in NEEDED if shutil.which(name) is None]
    if lacking:
        return "the virtual sound card needs " + ", ".join(lacking)
    if ctypes.util.find_library("portaudio") is None:
        return "the virtual sound card is reached through PortAudio, which is not installed (libportaudio2)"
    return ""


class VirtualCard:
    """A running card.

    environment: what a process needs to see it and no other. channels: how many the microphone has.
    """

    def __init__(self, folder: Path, channels: int = 1) -> None:
        self._folder = folder
        self._channels = channels
        self._socket = folder / "pulse.sock"
        self._started: list[subprocess.Popen[bytes]] = []
        self._microphone = ""
        asound = folder / "asound.conf"
        asound.write_text(DEVICES.format(socket=self._socket))
        self.environment = {
            **os.environ,
            "XDG_RUNTIME_DIR": str(folder),
            "PULSE_RUNTIME_PATH": str(folder),
            "PULSE_STATE_PATH": str(folder),
            "PULSE_COOKIE": str(folder / "cookie"),
            "PULSE_SERVER": f"unix:{self._socket}",
            "ALSA_CONFIG_PATH": str(asound),
        }

    def start(self) -> None:
        """Start PulseAudio and keep its sinks awake: a sink that idles loses the first second of what it is given."""
        channel_map = "mono" if self._channels == 1 else "front-left,front-right"
        modules = self._folder / "modules.pa"
        modules.write_text(MODULES.format(socket=self._socket, channels=self._channels, channel_map=channel_map))
        options = ["--daemonize=no", "--exit-idle-time=-1", "--disable-shm=yes", "--use-pid-file=no"]
        self._run("pulseaudio", "-n", "-F", str(modules), *options, f"--log-target=file:{self._folder / 'pulse.log'}")
        end = time.monotonic() + 10
        while not self._pactl("info"):
            if time.monotonic() > end:
                raise RuntimeError((self._folder / "pulse.log").read_text())
            time.sleep(0.05)
        self.plug()
        for sink, channels in (("speaker", 1), ("person", self._channels)):
            command = ["pacat", "-p", "-d", sink, *RAW, f"--channels={channels}", "--latency-msec=20"]
            with Path("/dev/zero").open("rb") as silence:
                self._started.append(subprocess.Popen(command, stdin=silence, env=self.environment))
        time.sleep(0.5)

    def plug(self) -> None:
        """Give the card its microphone (again), and keep it awake: it takes more than a second to wake."""
        done = self._pactl("load-module", *MICROPHONE.split())
        self._microphone = done.strip()
        self._pactl("set-default-source", "microphone")
        self._run("parec", "-d", "microphone", *RAW, f"--channels={self._channels}", stdout=subprocess.DEVNULL)

    def unplug(self) -> None:
        """Take the microphone away while it is in use; PulseAudio would move whoever listens to another source."""
        for line in self._pactl("list", "short", "source-outputs").splitlines():
            number, _, _, driver, *_ = line.split("\t")
            if "protocol-native" in driver:
                self._command(f"kill-source-output {number}")
        self._pactl("unload-module", self._microphone)

    def suspend(self, on: bool) -> None:
        """Let the microphone fall asleep (it stops giving frames), or wake it."""
        for source in ("microphone", "person.monitor"):
            self._pactl("suspend-source", source, "1" if on else "0")

    def echo(self) -> None:
        """Let the microphone hear the speaker, as in a room; with some delay."""
        self._pactl("load-module", "module-loopback", "source=speaker.monitor", "sink=person", "latency_msec=20")

    def says(self, sound: NDArray[np.float32], rate_hz: int = 16_000, wait: bool = True) -> subprocess.Popen[bytes]:
        """Play a sound of shape (frames,) or (frames, channels) into the microphone."""
        channels = 1 if sound.ndim == 1 else sound.shape[1]
        raw = ["--raw", "--format=float32le", f"--rate={rate_hz}", f"--channels={channels}", "--latency-msec=20"]
        player = self._run("pacat", "-p", "-d", "person", *raw, stdin=subprocess.PIPE)
        assert player.stdin is not None
        player.stdin.write(sound.astype("<f4").tobytes())
        player.stdin.close()
        if wait:
            player.wait(60)
        return player

    @contextlib.contextmanager
    def recorder(self) -> Iterator[Path]:
        """Record what comes out of the speaker, as raw 16-bit mono at CARD_HZ, while the context lasts."""
        path = self._folder / "speaker.raw"
        with path.open("wb") as out:
            command = ["parec", "-d", "speaker.monitor", *RAW, "--channels=1", "--latency-msec=20"]
            with subprocess.Popen(command, stdout=out, env=self.environment) as recorder:
                time.sleep(0.3)
                try:
                    yield path
                finally:
                    time.sleep(0.3)
                    recorder.terminate()

    def stop(self) -> None:
        """End everything that was started, latest first."""
        for process in reversed(self._started):
            process.terminate()
        for process in self._started:
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(5)

    def _run(
        self, *command: str, stdin: int | None = subprocess.DEVNULL, stdout: int | None = None
    ) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(command, stdin=stdin, stdout=stdout, stderr=subprocess.DEVNULL, env=self.environment)
        self._started.append(process)
        return process

    def _command(self, line: str) -> None:
        """One of the commands that pactl does not have."""
        with socket.socket(socket.AF_UNIX) as connection:
            connection.settimeout(5)
            connection.connect(f"{self._socket}.commands")
            connection.sendall(f"{line}\n".encode())
            connection.shutdown(socket.SHUT_WR)
            with contextlib.suppress(TimeoutError):
                while connection.recv(4096):
                    pass

    def _pactl(self, *arguments: str) -> str:
        done = subprocess.run(
            ["pactl", *arguments], check=False, capture_output=True, text=True, timeout=10, env=self.environment
        )
        return done.stdout if done.returncode == 0 else ""


@contextlib.contextmanager
def card(channels: int = 1) -> Iterator[VirtualCard]:
    """A card that lives as long as the context."""
    with tempfile.TemporaryDirectory(prefix="card-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o700)
        made = VirtualCard(folder, channels)
        try:
            made.start()
            yield made
        finally:
            made.stop()


if __name__ == "__main__":
    if reason := missing():
        sys.exit(reason)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # or the card would outlive this program
    with card() as virtual:
        sys.exit(subprocess.run(sys.argv[1:], check=False, env=virtual.environment).returncode)
