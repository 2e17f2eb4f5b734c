"""What is measured: the cases of single tap sets and of pairs of them, how many sets, from which seeds."""

from dataclasses import dataclass

from scene import Case, Session

MISS = 2.0  # Hz; a mode not found counts as an error of this much
FIRST_SEED = {"tuning": 0, "final": 100_000}
SETS = {"quick": 4, "full": 300}
PEER_SETS = {"quick": 1, "full": 100}
ROOM = (0.35, 12.0)

CASES = (
    *(Case(f"{db} dB", snr_db=db) for db in (20, 30, 40, 50)),
    *(Case(f"{db} dB, strings", snr_db=db, strings=True) for db in (20, 30, 40, 50)),
    Case("pair 395/415", pair=(395.0, 415.0)),
    Case("pair 400/410", pair=(400.0, 410.0)),
    Case("440 Hz under the A string", strings=True, under_a_string=True),
    Case("10 dB", snr_db=10.0, found=True),
    Case("15 dB", snr_db=15.0, found=True),
    Case("finger, 20 dB", snr_db=20.0, width=(0.002, 0.004), found=True),
    Case("5 taps", n_taps=5),
    Case("12 taps", n_taps=12),
    Case("44.1 kHz", rate=44100.0),
    Case("96 kHz", rate=96000.0),
    Case("drift 0.3 Hz", drift=0.3),
    Case("drift 1 Hz", drift=1.0),
    Case("room .2 s, 20 dB", room=(0.2, 20.0)),
    Case("room .35 s, 12 dB", room=ROOM),
    Case("room .5 s, 8 dB", room=(0.5, 8.0)),
    Case("room .35 s, 12 dB, two places", room=ROOM, places=2),
    Case("room .35 s, 12 dB, contact too", room=ROOM, contact=True),
    Case("cello", body="cello"),
    Case("cello, 15 dB", body="cello", snr_db=15.0),
    Case("bass", body="bass"),
    Case("bass, 15 dB", body="bass", snr_db=15.0),
    Case("plate, 50 dB", body="plate", snr_db=50.0, slope=0.0),
    Case("plate, 30 dB", body="plate", snr_db=30.0, slope=0.0),
    Case("bar, 50 dB", body="bar", snr_db=50.0),
    Case("bar, 30 dB", body="bar", snr_db=30.0),
    Case("double hit left in", bad="double"),
    Case("clipped by 6 dB", bad="clipped"),
    Case("handling noise", bad="handling"),
)
BY_NAME = {case.name: case for case in CASES}
WITHOUT_PEERS = ("10 dB", "15 dB", "finger, 20 dB", "double hit left in", "clipped by 6 dB", "handling noise")

MAIN = ("CBR", "B1-", "B1+")


@dataclass(frozen=True)
class Pair:
    """Two tap sets of one instrument, compared.

    Parameters
    ----------
    before, after : Case   taps, noise and room of each
    session : Session   how the second differs from the first
    """

    name: str
    before: Case
    after: Case
    session: Session


def _pair(name, case, *, after=None, **differs):
    return Pair(name, case, after or case, Session(number=1, **differs))


PAIRS = (
    _pair("no shift, no room", Case("dry")),
    _pair("no shift, room 12 dB, same place", Case("room", room=ROOM)),
    _pair("no shift, room 12 dB, other place", Case("room", room=ROOM), first_place=1),
    _pair("shift 0.15 Hz, no room", Case("dry"), shift=0.15, moved=MAIN),
    _pair("shift 0.5 Hz, drift 0.3 Hz a tap", Case("drift", drift=0.3), shift=0.5, moved=MAIN),
    _pair("no shift, drift 0.3 Hz a tap", Case("drift", drift=0.3)),
    _pair("30 dB, then 10 dB", Case("quiet"), after=Case("loud", snr_db=10.0, found=True)),
    _pair("30 dB, then 15 dB", Case("quiet"), after=Case("loud", snr_db=15.0, found=True)),
    _pair(
        "30 dB, then a finger at 20 dB",
        Case("quiet"),
        after=Case("finger", snr_db=20.0, width=(0.002, 0.004), found=True),
    ),
)  # fmt: skip
