"""Every writing command killed, starved and unplugged at every call that touches the disk.

A shop is made once; each run starts from a copy of it. What must hold afterwards, whatever happened:
the shop opens, `check` finds nothing but harmless leftovers, the records are those of before or those of
after the command, never a mixture and never twice, and where the command said that it was done, those of
after. A command that was cut short is run again and must then do its work.
"""

import errno
import json
import re
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from resonance.errors import ShopError
from resonance.jobs.archive import check_export, export_job
from resonance.jobs.backup import backup, check_backup
from resonance.jobs.database import COLUMNS, LOOK, reading
from resonance.jobs.store import Shop
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from resonance.sound.files import write_recording
from resonance.sound.synthesis import BodyMode, even_blows, tap_recording

from . import disk, shim

NOISE = re.compile(r"\d{4}-\d\d-\d\dT[0-9:.+-]+|[0-9a-f]{64}|\d+\.\d{4,}")
RATE = 16000.0


@dataclass(frozen=True)
class Command:
    """One writing command: its words, with {out}, {aside} for folders; how to look at what else it writes."""

    name: str
    words: str
    whole: Callable[[Path], object] | None = None
    heavy: bool = False
    fresh: bool = False


COMMANDS = (
    Command("job new", "job new cello --family cello"),
    Command("job new, no shop yet", "job new cello --family cello", fresh=True),
    Command("job edit", "job edit viola owner=B year=2025"),
    Command("job edit set", "job edit viola set1 temperature_c=21"),
    Command("job edit adjustment", "job edit viola adj1 along_mm=0.5"),
    Command("job remark", "job remark viola text"),
    Command("job confirm", "job confirm viola"),
    Command("job move", "job move viola set2 --before adj1"),
    Command("job delete set", "job delete viola set2"),
    Command("job delete", "job delete viola"),
    Command("job export", "job export viola {out}/x", whole=check_export),
    Command("job import", "job import {aside}/export"),
    Command("setup", "setup viola post.behind_mm=2.5"),
    Command("adjust", "adjust viola --part soundpost --along 0.25", heavy=True),
    Command("label", "label viola set1 {hz} B1-"),
    Command("same", "same viola set1:{hz} set2:{hz2}"),
    Command("target", "target viola set1"),
    Command("add", "add viola {aside}/third.wav", heavy=True),
    Command("undo", "undo"),
    Command("undo --act", "undo --act {act}"),
    Command("job list", "job list"),
    Command("backup", "backup {out}/b.zip", whole=check_backup),
    Command("restore", "restore {aside}/backup.zip --shop {out}/r", whole=lambda path: Shop(path).check()),
    Command("mend", "check --mend-from {aside}/backup.zip"),
    Command(
        "report", "report viola --out {out}/r.txt", whole=lambda path: not path.read_text().endswith("\n")
    ),
)


@dataclass
class Tally:
    """What was seen."""

    points: int = 0
    states: int = 0
    again: int = 0
    leftovers: int = 0
    failures: list = field(default_factory=list)


@dataclass(frozen=True)
class Place:
    """The folders a command works in."""

    root: Path

    @property
    def shop(self) -> Path:
        return self.root / "shop"

    @property
    def out(self) -> Path:
        return self.root / "out"


def make_template(root: Path) -> dict:
    """Make the shop that all runs start from, and what lies beside it; give what the words need."""
    (root / "out").mkdir(parents=True)
    aside = root.parent / "aside"
    aside.mkdir()
    for number, name in enumerate(("first", "second", "third")):
        write_taps(aside / f"{name}.wav", number)
    shop = Shop(root / "shop")
    shop.new_job(Instrument("Viola", "viola"), job="viola")
    adjusted = Adjustment("", None, "soundpost", along_mm=0.25)
    for name in ("first", "second"):
        ran = shim.run(["add", "viola", aside / f"{name}.wav", "--shop", root / "shop"], root)
        assert ran.code == 0, ran.err
        if name == "first":
            shop.add_adjustment("viola", adjusted)
    job = shop.job("viola")
    shop.set_target("viola", "set2")
    shop.add_remark("viola", "as it came")
    hz, hz2 = (tap_set.modes[0].frequency for tap_set in job.sets)
    export_job(shop, "viola", aside / "export")
    backup(shop, aside / "backup.zip")
    act = next(act.id for act in shop.acts() if "target" in act.text)
    return {"aside": str(aside), "hz": f"{hz:.2f}", "hz2": f"{hz2:.2f}", "act": str(act)}


def write_taps(path: Path, seed: int) -> None:
    """A few taps on two modes, short and at a low rate, so that an analysis takes little."""
    rng = np.random.default_rng(seed)
    modes = [BodyMode(300.0 + seed, 0.02, 1.0), BodyMode(452.0 + seed, 0.015, 0.8)]
    blows = even_blows(3, rng=rng, spacing=0.7)
    write_recording(tap_recording(modes, blows, sample_rate=RATE, rng=rng), path)


def content(folder: Path) -> str:
    """Everything in a shop, in one text, without times, fingerprints and digits that no run repeats."""
    if not (folder / "shop.db").exists():
        return "no shop"
    shop = Shop(folder)
    rows = {}
    with reading(shop.database) as db:
        for table, columns in COLUMNS.items():
            rows[table] = db.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY rowid").fetchall()
    return NOISE.sub("~", json.dumps(rows)) if rows["act"] else "no shop"


class Bench:
    """Runs one command again and again from the same beginning."""

    def __init__(self, command: Command, template: Path, work: Path, facts: dict, tally: Tally) -> None:
        self.command, self.template, self.work, self.tally = command, template, work, tally
        self.place = Place(work / "now")
        self.words = command.words.format(shop=self.place.shop, out=self.place.out, **facts).split()
        if "--shop" not in self.words:
            self.words += ["--shop", str(self.place.shop)]
        self.fresh()
        self.before = self.seen()
        self.fresh()
        log = work / "trace"
        log.unlink(missing_ok=True)
        self.ran = self.run(mode=shim.TRACE, log=log)
        assert self.ran.code == 0, f"{command.name}: {self.ran.err}"
        self.after = self.seen()
        self.trace = disk.read_trace(log)
        self.calls = self.ran.calls

    def fresh(self) -> None:
        """Begin again."""
        shutil.rmtree(self.place.root, ignore_errors=True)
        shutil.copytree(self.template, self.place.root)
        if self.command.fresh:
            shutil.rmtree(self.place.shop)
        if self.command.name == "mend":
            path = next((self.place.shop / "sound").iterdir())
            path.write_bytes(b"x" + path.read_bytes()[1:])
            data = bytearray((self.place.shop / "shop.db").read_bytes())
            data[data.rfind(b"as it came")] ^= 1
            (self.place.shop / "shop.db").write_bytes(data)

    def run(self, **how) -> shim.Ran:
        """Run the command."""
        return shim.run(self.words, self.place.root, **how)

    def seen(self, root: Path | None = None) -> str:
        """What is there: the shop's content, and what else was written."""
        place = Place(root or self.place.root)
        text = content(place.shop)
        for path in sorted(place.out.iterdir()):
            if not path.name.startswith("."):
                looked = self.command.whole(path) if self.command.whole is not None else None
                text += f" {path.name} {looked}"
        return text

    def judge(self, what: str, *, done: bool, root: Path | None = None, failed: bool = False) -> bool:
        """See that all is as it must be; give whether the command's work is there."""
        place = Place(root or self.place.root)
        try:
            found = self.seen(root)
            shop = place.shop / "shop.db"
            problems = Shop(place.shop).check() if shop.exists() else ()
        except (ShopError, OSError, ValueError) as error:
            self.fail(what, f"cannot be read: {error}")
            return False
        harmful = [problem.text for problem in problems if not problem.harmless]
        self.tally.leftovers += len(problems) - len(harmful)
        mending = self.command.name == "mend" and not done  # begins with damage, and may be done twice
        if harmful and not mending:
            self.fail(what, harmful[0])
        elif found not in (self.before, self.after) and not mending:
            self.fail(what, "neither as before nor as after")
        elif done and found != self.after:
            self.fail(what, "said done, and is not there")
        elif failed and found == self.after != self.before and not mending:
            self.fail(what, "said failed, and is there")
        return found == self.after

    def fail(self, what: str, why: str) -> None:
        self.tally.failures.append(f"{self.command.name}, {what}: {why}")

    def kills(self, points: Iterator[int], mode: int) -> None:
        """Kill at calls, look, and run again what was cut short."""
        what = {shim.KILL: "killed at call", shim.TEAR: "killed in the middle of call"}[mode]
        for at in points:
            self.fresh()
            ran = self.run(mode=mode, at=at)
            self.tally.points += ran.killed
            there = self.judge(f"{what} {at}", done=ran.code == 0)
            if not there and ran.killed:
                again = self.run()
                self.tally.again += 1
                if again.code != 0:
                    self.fail(f"run again after it was {what} {at}", again.err.strip()[:200])
                else:
                    self.judge(f"run again after it was {what} {at}", done=True)

    def moments(self, seconds: list[float]) -> None:
        """Kill at moments."""
        for after in seconds:
            self.fresh()
            ran = self.run(stop=after)
            self.tally.points += ran.killed
            self.judge(f"killed after {1e3 * after:.0f} ms", done=ran.code == 0)

    def cuts(self, points: Iterator[int], seeds: int) -> None:
        """Cut the power after calls: nothing unsynced kept, then random parts of it."""
        self.fresh()
        base = disk.Disk(self.place.root)
        chosen, done = set(points), len(self.trace)
        for number, call in enumerate(self.trace, 1):
            base.play(call)
            if number not in chosen and number != done:
                continue
            for seed in range(seeds + 1):
                root = self.work / "cut"
                shutil.rmtree(root, ignore_errors=True)
                base.write_out(root, np.random.default_rng([number, seed]) if seed else None)
                self.tally.states += 1
                self.judge(
                    f"power cut after call {number} ({call.what}), seed {seed}",
                    done=number == done,
                    root=root,
                )

    def errors(self, points: Iterator[int], code: int, times: int) -> Counter:
        """Let calls fail: one line, nothing lost."""
        said = Counter()
        for at in points:
            self.fresh()
            ran = self.run(mode=shim.FAIL, at=at, times=times, error=code)
            what = f"{errno.errorcode[code]} at call {at}{'' if times == 1 else ' and ever after'}"
            self.tally.points += 1
            lines = [line for line in ran.err.splitlines() if line.startswith("resonance: ")]
            if ran.code not in (0, 1) or "Traceback" in ran.err or (ran.code == 1 and len(lines) != 1):
                self.fail(what, f"code {ran.code}: {ran.err.strip()[-300:]}")
            said.update(re.sub(r"/\S+", "PATH", line) for line in lines)
            told = LOOK in ran.err
            self.judge(what, done=ran.code == 0, failed=ran.code == 1 and not told)
        return said


def spread(calls: int, most: int) -> list[int]:
    """Calls to stop at: all, or so many of them, the first and last always."""
    if calls <= most:
        return list(range(1, calls + 1))
    return sorted({round(x) for x in np.linspace(1, calls, most)})
