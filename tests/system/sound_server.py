"""A private PulseAudio with null sinks as microphones, and PortAudio recording from them through ALSA.

Nothing of the machine's own sound is touched: the daemon has its own runtime folder and socket, and is ended
by its own process id. Where a part is missing `missing` says which.
"""

import ctypes.util
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

PACKAGES = "pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins"
RATE = 48_000
ALSA = """\
</usr/share/alsa/alsa.conf>
{devices}
"""
DEVICE = """\
pcm.{name} {{
    type pulse
    server "unix:{socket}"
    device "{name}"
    hint {{ show on ; description "{name}" }}
}}
"""


def missing():
    """Say what is missing for a sound server of the tests' own; '' when all is there."""
    lacking = [name for name in ("pulseaudio", "pactl", "paplay", "parec") if shutil.which(name) is None]
    if ctypes.util.find_library("portaudio") is None:
        lacking.append("libportaudio")
    if not list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")):
        lacking.append("the ALSA plug-in for PulseAudio")
    return f"{', '.join(lacking)} missing; apt install {PACKAGES}" if lacking else ""


class SoundServer:
    """The daemon, its microphones and what plays into them."""

    def __init__(self, folder, names=("bench",), rate=RATE):
        self.folder, self.rate = Path(folder), rate
        self.runtime = self.folder / "run"
        self.runtime.mkdir(parents=True, mode=0o700)
        self.socket = self.runtime / "socket"
        script = self.folder / "server.pa"
        lines = [f"load-module module-native-protocol-unix auth-anonymous=1 socket={self.socket}"]
        for name in names:
            lines += self.module_lines(name)
        script.write_text("\n".join(lines) + "\n")
        settings = self.folder / "daemon.conf"
        settings.write_text(f"default-sample-rate = {rate}\ndefault-sample-format = float32le\n")
        self.alsa = self.folder / "asound.conf"
        self.alsa.write_text(
            ALSA.format(devices="".join(DEVICE.format(name=n, socket=self.socket) for n in names))
        )
        self.names = names
        self._helpers = []
        self._daemon = subprocess.Popen(
            ["pulseaudio", "-n", "-F", str(script), "--daemonize=no", "--exit-idle-time=-1",
             "--realtime=no", "--high-priority=no", "--use-pid-file=no", "--log-target=stderr"],
            env=self.environment | {"PULSE_CONFIG": str(settings)},
            stdout=subprocess.DEVNULL,
            stderr=(self.folder / "server.log").open("wb"),
        )  # fmt: skip
        self._wait()
        for name in names:  # an idle null sink wakes late and loses the beginning: a reader keeps it awake
            self._start(["parec", "--raw", "--latency-msec=10", f"--device={name}"])
        time.sleep(0.5)

    def module_lines(self, name):
        """Lines that make one microphone: a null sink, and a proper source on its monitor."""
        shape = f"rate={self.rate} channels=1 format=float32le"
        return [
            f"load-module module-null-sink sink_name={name}_sink {shape}",
            f"load-module module-remap-source source_name={name} master={name}_sink.monitor remix=no "
            "channels=1",
        ]

    @property
    def environment(self):
        """What a program needs to find this server and no other."""
        kept = {k: v for k, v in os.environ.items() if not k.startswith(("PULSE", "ALSA", "XDG_RUNTIME"))}
        mine = {
            "PULSE_SERVER": f"unix:{self.socket}",
            "PULSE_RUNTIME_PATH": str(self.runtime),
            "PULSE_STATE_PATH": str(self.runtime),
            "XDG_RUNTIME_DIR": str(self.runtime),
            "HOME": str(self.folder),
            "PYTHONPATH": str(Path(__file__).parents[2]),
            "PYTHONDONTWRITEBYTECODE": "1",
        }
        return kept | mine | ({"ALSA_CONFIG_PATH": str(self.alsa)} if hasattr(self, "alsa") else {})

    def _wait(self):
        for _ in range(100):
            if self.socket.exists() and self.pactl("info").returncode == 0:
                return
            time.sleep(0.1)
        raise AssertionError((self.folder / "server.log").read_text()[-2000:])

    def _start(self, command):
        helper = subprocess.Popen(
            command, env=self.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self._helpers.append(helper)
        return helper

    def pactl(self, *words):
        return subprocess.run(["pactl", *words], env=self.environment, capture_output=True, timeout=20)

    def play(self, path, name="bench"):
        """Play a sound file into a microphone; gives the player."""
        return self._start(["paplay", f"--device={name}_sink", str(path)])

    def remove(self, name):
        """Pull a microphone out."""
        for module in self.pactl("list", "short", "modules").stdout.decode().splitlines():
            number, _, words = module.partition("\t")
            if f"source_name={name} " in words:
                self.pactl("unload-module", number)

    def resonance(self, *words, **options):
        """Start a command of the program, its standard input open."""
        process = subprocess.Popen(
            [sys.executable, "-m", "resonance.cli.main", *map(str, words)],
            env=self.environment | options.pop("env", {}),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            **options,
        )
        self._helpers.append(process)
        return process

    def kill(self):
        """End the server at once, as a crash would."""
        self._daemon.kill()
        self._daemon.wait()

    def close(self):
        for process in (*self._helpers, self._daemon):
            if process.poll() is None:
                process.terminate()
                try:
                    process.wait(timeout=5)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()


def tone_free_noise(seconds, *, seed=1, rate=RATE):
    """Noise whose every sample is a 24-bit step, so that it can be found again exactly; array (n, 1)."""
    rng = np.random.default_rng(seed)
    steps = rng.integers(-(2**20), 2**20, round(seconds * rate))
    return (steps / 2.0**23)[:, None]
