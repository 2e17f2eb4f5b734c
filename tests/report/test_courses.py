"""Sentences about histories, the post, put-back scatter and the target, one by one."""

import json
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from math import nan

import numpy as np
import pytest

from resonance.changes.comparison import BandChange, Repeatability, Scatter
from resonance.changes.course import History, Step
from resonance.changes.distance import Distance
from resonance.changes.hint import Hint
from resonance.changes.post import Move, PostResponse
from resonance.jobs.job import Entry, Job
from resonance.jobs.records import from_record, to_record
from resonance.modes.mode import Mode, StringReading
from resonance.reasons import Reason
from resonance.report.blocks import Items, Paragraph, Table
from resonance.report.course_pictures import history_figure, post_figure
from resonance.report.courses import (
    adjustment_lines,
    along_the_way,
    history_blocks,
    settled_sentence,
    step_cell,
    step_words,
)
from resonance.report.distances import distance_blocks, distance_sentence
from resonance.report.post_words import (
    headline,
    hint_blocks,
    moves_words,
    post_blocks,
    slope_cell,
    slope_sentence,
)
from resonance.report.readings import over_time_tables
from resonance.report.scatter import advice, repeat_blocks
from resonance.report.scatter import headline as scatter_headline
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import Climate, Conditions, TapSet

ZONE = timezone(timedelta(hours=1))
DAY = datetime(2025, 3, 3, 10, tzinfo=ZONE)
LEARNED = Scatter(3.0, 12.0, "slackened and retuned", "this job")


def a_step(cents=-17.0, interval=(-27.0, -7.0), verdict="moved", **more):
    more.setdefault("scatter", LEARNED)
    return Step("adj1", cents, interval, verdict=verdict, **more)


def a_history(**more):
    more.setdefault("frequency", np.array([460.0, 455.5]))
    return History("m1", "B1-", sets=("set1", "set2"), **more)


def test_a_step_in_hertz_then_cents():
    # 455.5 Hz: 17 cents down is 4.45 Hz, 10 cents either way 2.6 Hz
    assert step_words(a_history(), a_step(), "B1−") == "B1− down 4.5 ± 2.6 Hz (about 17 cents)"
    assert step_words(a_history(), a_step(17.0, (7.0, 27.0)), "").startswith("near 456 Hz up 4.5")


def test_what_an_adjustment_did():
    still = a_step(1.0, (-9.0, 11.0), "no change seen", least_detectable_cents=14.2)
    unknown = a_step(
        nan, (nan, nan), "cannot separate", reasons=(Reason("few_repeats", {"n": 1, "scatter_cents": 3.0}),)
    )
    steps = [(a_history(), a_step()), (a_history(), still), (a_history(), still), (a_history(), unknown)]
    assert adjustment_lines(steps, {"m1": "B1−"}) == (
        "Moved: B1− down 4.5 ± 2.6 Hz (about 17 cents).",
        "No change seen in 2 resonances; a step under 14 cents could have gone unseen.",
        "Cannot be separated from settling or other work: B1−.",
        "B1−: the put-back scatter of about 3 cents rests on few repeat tap sets (1).",
    )


def test_of_a_lone_mode_only_its_first_reason_is_said_and_of_all_what_holds_for_all():
    few = Reason("few_repeats", {"n": 1, "scatter_cents": 3.0})
    bracket = Reason("not_bracketed", {"hours": 50.0})
    late = Reason("since", {"adjustment": "adj1", "hours": 30.0})
    other = replace(a_history(), track="m2", frequency=np.array([610.0, 611.4]))
    unknown = a_step(1.0, (-30.0, 32.0), "cannot separate", reasons=(few, bracket, late))
    lines = adjustment_lines([(a_history(), a_step(reasons=(few,))), (other, unknown)], {"m1": "B1−"})
    assert lines[1] == "Cannot be separated from settling or other work: near 611 Hz."
    assert lines[2].startswith("The put-back scatter of about 3 cents")
    assert lines[3].startswith(
        "Near 611 Hz: the tap sets around the adjustment that show it lie 2 days apart"
    )
    assert len(lines) == 4


def test_adjustments_made_together_are_told_once():
    job = a_job()
    second = replace(job.adjustments[0], id="adj2", part="bridge", along_mm=nan, note="thinned")
    last = replace(job.sets[1], after=("adj1", "adj2"))
    job = replace(job, sets=(job.sets[0], last), adjustments=(*job.adjustments, second))

    def shared(name, other):
        values = {"others": other, "n": 2, "cents": -17.0, "low": -27.0, "high": -7.0, "together": "moved"}
        reasons = (Reason("made_together", values),)
        return replace(a_step(nan, (nan, nan), "cannot separate", reasons=reasons), adjustment=name)

    steps = (shared("adj1", "adj2"), shared("adj2", "adj1"))
    told = [b for b in history_blocks(job, [a_history(steps=steps)]) if isinstance(b, Items | Table)]
    assert told[0].title.startswith(
        "Adjustment 1 and adjustment 2, told together since no tap set lies between: "
    )
    assert told[0].title.endswith("Bridge: thinned")
    assert told[0].items == ("Moved: B1− down 4.5 ± 2.6 Hz (about 17 cents).",)
    assert told[1].columns == ("Resonance", "Adjustment 1 and adjustment 2")
    assert told[1].rows == (("B1−", "−17 ± 10 ●"),)
    assert told[1].notes == (("●", "moved"),)


def test_without_repeat_sets_nothing_is_said_to_have_moved():
    assumed = a_step(scatter=Scatter(7.0, 4.0))
    (line,) = adjustment_lines([(a_history(), assumed)], {"m1": "B1−"})
    assert line.startswith("Differs by more than the assumed put-back scatter: B1− down")


@pytest.mark.parametrize(
    ("step", "cell"),
    [
        (None, ""),
        (a_step(), "−17 ± 10 ●"),
        (a_step(1.0, (-9.0, 11.0), verdict="no change seen"), "+1 ± 10 ="),
        (a_step(verdict="no change seen", reasons=(Reason("one_of_many", {"n": 12}),)), "−17 ± 10 ~"),
        (a_step(nan, (nan, nan), "cannot separate"), "?"),
    ],
)
def test_a_step_in_a_table(step, cell):
    assert step_cell(step) == cell


def test_settling():
    settled = a_history(settled="settled", rate_cents_per_week=(-1.2, 0.3, 2.0), expected_4_weeks=(-2.0, 4.0))
    assert settled_sentence(settled, "B1−") == (
        "B1−: settled (−1 to +2 cents a week); expected in the next four weeks: −0.5 to +1.1 Hz."
    )
    falling = a_history(
        settled="not yet",
        rate_cents_per_week=(-9.0, -6.0, -4.5),
        settled_by=DAY + timedelta(days=60),
        time_constant_days=8.0,
        time_constant_interval_days=(5.0, 14.0),
    )
    assert settled_sentence(falling, "B1−") == (
        "B1−: not yet settled: falls by about 1.6 Hz a week (−9 to −4 cents a week); settled by 2 May 2025, "
        "95 times in 100; its settling falls to a third in about 8 days (5 to 14)."
    )
    unknown = a_history(rate_cents_per_week=(-9.0, 1.0, 11.0))
    assert settled_sentence(unknown, "B1−") == (
        "B1−: cannot tell yet whether it is settled (−9 to +11 cents a week)."
    )
    assert settled_sentence(a_history(), "B1−") == "B1−: cannot tell yet whether it is settled."


def a_job(**more):
    mode = Mode(460.0, 0.011, 0.3, kind="body", label="B1-", labelled_by="maker", track="m1")
    sets = (
        TapSet(
            "set1", DAY, (mode,), climate=Climate(20.5, 45.0), conditions=Conditions(remark="dark on the G")
        ),
        TapSet("set2", DAY, (replace(mode, frequency=455.5),), after=("adj1",)),
    )
    adjustment = Adjustment("adj1", DAY, "soundpost", 0.25, nan)
    timeline = (Entry("tap set", "set1"), Entry("adjustment", "adj1"), Entry("tap set", "set2"))
    return Job("j", Instrument("x"), sets=sets, adjustments=(adjustment,), timeline=timeline, **more)


def test_words_at_each_set_stand_beside_the_curve():
    (table,) = along_the_way(a_job())
    assert table.columns == ("Tap set", "Taken", "°C", "Humidity, %", "Words")
    assert table.rows[0] == ("Tap set 1", "3 March 2025", "20.5", "45", "dark on the G")
    remarked = replace(a_job(), timeline=(Entry("remark", "rem1", DAY, text="the player likes it"),))
    assert along_the_way(remarked)[1] == Items(("3 March 2025: the player likes it",), title="Remarks")


def test_what_holds_for_some_modes_is_said_of_these():
    far = Reason("no_end_in_sight", {"threshold": 4.0})
    other = replace(a_history(), track="m2", frequency=np.array([610.0, 611.4]), reasons=(far,))
    minded = history_blocks(a_job(), [a_history(), other])[-1]
    assert minded.title == "What to bear in mind"
    assert minded.items[0].startswith("Near 611 Hz: when it will have settled")


def test_the_strings_as_they_were_heard_stand_beside_the_curve():
    heard = (StringReading("G3", cents_off=-12.4), StringReading("D4", cents_off=0.2), StringReading("A4"))
    job = a_job()
    (table,) = along_the_way(replace(job, sets=(replace(job.sets[0], strings=heard), job.sets[1])))
    assert table.rows[0][table.columns.index("Strings, cents off")] == "G −12, D 0"


def test_a_whole_history():
    since = a_step(reasons=(Reason("since", {"adjustment": "adj1", "hours": 50.0}),))
    blocks = history_blocks(a_job(), [a_history(steps=(since,))])
    assert blocks[0].title == "Since adjustment 1: Soundpost 0.25 mm away from the bridge"
    assert next(b.title for b in blocks if isinstance(b, Table)) == "Steps, cents"
    assert history_blocks(a_job(), []) == [
        Paragraph("No history yet: it takes two tap sets that show the same resonance. Add another one.")
    ]
    bare = replace(a_job(), sets=tuple(replace(each, taken=None) for each in a_job().sets))
    assert history_blocks(bare, [])[0].text == (
        "No history yet: it needs the dates of the tap sets. 'resonance job edit j set1 "
        "taken=2025-03-01T10:00' adds one."
    )


def a_response(**more):
    values = {
        "tracks": ("m1",),
        "cents_per_mm": np.array([[-40.0, nan]]),
        "intervals": np.array([[[-60.0, -20.0], [nan, nan]]]),
        "estimable": np.array([[True, False]]),
        "n_moves": 4,
        "frequency": np.array([460.0]),
        "moves": (Move("adj1", 0.25, 0.0), Move("adj2", -0.5, 0.1, used=False)),
    }
    return PostResponse(**{**values, **more})


def test_the_post_for_a_quarter_millimetre():
    # a quarter of −40 ± 20 cents/mm: −10 ± 5 cents; at 460 Hz −2.6 ± 1.3 Hz
    assert (
        slope_sentence(a_response(), 0, "B1−") == "B1−: away from the bridge −2.6 ± 1.3 Hz (−10 ± 5 cents)."
    )
    near = a_response(intervals=np.array([[[-60.0, 20.0], [nan, nan]]]))
    assert "which may be nothing" in slope_sentence(near, 0, "B1−")
    assert slope_cell(a_response(), 0, 0) == "−10 ± 5"
    assert slope_cell(a_response(), 0, 1) == "–"
    assert slope_cell(a_response(estimable=np.zeros((1, 2), bool)), 0, 0) == "(−10 ± 5)"


def test_how_much_is_known_of_the_post():
    assert headline(a_response()) == "4 moves of the post read: what a move does is known for 1 resonance."
    few = "2 moves of the post read so far: from fewer than three nothing is said about what a move does."
    assert headline(a_response(n_moves=2)) == few
    blind = a_response(estimable=np.zeros((1, 2), bool))
    assert headline(blind).endswith("what a move does is not known well enough for any resonance yet.")
    assert "read to about 0.2 mm" in post_blocks(a_response(), ["B1−"])[-1].items[-1]
    assert moves_words(a_response()) == (
        "Adjustment 1: 0.25 mm away from the bridge.",
        "Adjustment 2: 0.5 mm towards the bridge and 0.1 mm in, not read.",
    )


def test_a_hint_carries_its_doubts_and_the_cautions():
    hint = Hint(0.25, -0.1, 0.97, 22.0, 9.0, (4.0, 19.0), 5, 0.2)
    said, care = hint_blocks(hint, "tap set 3")
    assert said.text == (
        "A hint, no more: 0.25 mm away from the bridge and 0.1 mm out would probably lead nearer "
        "to tap set 3 (97 times in 100): from 22 cents away to about 9 (4 to 19), over the resonances whose "
        "answer is known. It rests on 5 moves, and a post can be placed to about 0.2 mm. It knows nothing of "
        "how the instrument sounds or plays."
    )
    assert care.tone == "caution"
    assert "strings" in care.items[0]
    assert "wears" in care.items[1]
    assert hint_blocks(None, "tap set 3") == [
        Paragraph("No hint: no move is sure enough to lead nearer to tap set 3.")
    ]


def test_put_back_scatter():
    # 7 cents at 460 Hz are 1.9 Hz
    nothing = Repeatability(Scatter(7.0, 4.0))
    assert scatter_headline(nothing, 460.0) == (
        "Put-back scatter is not known yet; about 1.9 Hz at 460 Hz (7 cents) is assumed."
    )
    assert advice(nothing).startswith("Three repeat tap sets, ten minutes")
    lifted = Repeatability(
        Scatter(3.0, 9.0, "put back", "this job"), kinds=(Scatter(3.0, 9.0, "put back", "this job"),)
    )
    assert "slackened and retuned would help most" in advice(lifted)
    one = Repeatability(
        LEARNED, kinds=(LEARNED,), reasons=(Reason("repeats_used", {"kind": LEARNED.kind, "n": 1}),)
    )
    assert advice(one).startswith("One more repeat with the strings slackened and retuned")
    assert repeat_blocks(one)[1].rows[0][:3] == ("slackened and retuned", "0.8 Hz at 460 Hz (3 cents)", "12")
    shop = replace(LEARNED, source="this shop")
    assert advice(Repeatability(shop, kinds=(shop,), n_repeats=6)).startswith("One more repeat")
    many = Reason("repeats_used", {"kind": "slackened and retuned", "n": 4})
    taught = Repeatability(shop, kinds=(shop,), n_repeats=6, reasons=(many,))
    assert advice(taught).startswith("Your other instruments told it")
    own = Repeatability(LEARNED, (replace(LEARNED, scatter_cents=6.2, track="m1"),), kinds=(LEARNED,))
    assert repeat_blocks(own, names={"m1": "B1−"})[2].rows == (
        ("B1−", "slackened and retuned", "6.2 cents", "12"),
    )


def test_the_distance_to_a_target():
    away = Distance(
        "set2",
        ("m1",),
        np.array([-17.0]),
        np.array([4.0]),
        16.5,
        4.0,
        (BandChange(200.0, 250.0, 3.0, 1.0, "moved"),),
    )
    assert distance_sentence(away) == (
        "Tap set 2: of 1 resonance, 1 can be told from the target's, by 16 ± 8 cents over all. The sound may "
        "still differ."
    )
    near = replace(away, cents=np.array([3.0]))
    assert "none can be told from the target's. The sound may still differ." in distance_sentence(near)
    own = Distance("set1", ("m1",), np.zeros(1), np.zeros(1), 0.0, 0.0)
    _, table, bands = distance_blocks(a_job(target="set1"), [own, away])
    assert table.rows[1][:3] == ("Tap set 2", "3 March 2025", "16 ± 8")
    assert "1 of 1" in table.rows[1]
    assert bands.text == "Levels of tap set 2 against the target's: 200 to 250 Hz +3.0 ± 2.0 dB."


def a_longer_job():
    first, second = a_job().sets
    second = replace(second, taken=DAY + timedelta(days=2), climate=Climate(24.0, 40.0))
    doubt = Reason("track_ambiguous", {"margin": 1.0})
    (mode,) = second.modes
    third = replace(
        second, id="set3", taken=DAY + timedelta(days=4), modes=(replace(mode, reasons=(doubt,)),)
    )
    heard = (StringReading("G3", cents_off=-8.0), StringReading("D4", cents_off=-4.0))
    entries = [Entry("tap set", "set1", DAY), Entry("adjustment", "adj1", DAY + timedelta(days=1))]
    entries += [Entry("tap set", "set2", second.taken), Entry("tap set", "set3", third.taken)]
    entries.append(Entry("remark", "rem1", DAY + timedelta(days=3), text="the player likes it"))
    adjustment = replace(a_job().adjustments[0], made=DAY + timedelta(days=1))
    sets = (first, second, replace(third, strings=heard))
    return replace(a_job(), sets=sets, adjustments=(adjustment,), timeline=tuple(entries))


def test_the_history_figure_shows_causes_and_words_beside_the_curve():
    figure = history_figure(a_longer_job(), [])
    strip, *panels = figure.axes
    said = {text.get_text() for text in strip.texts}
    assert {"“dark on the G”", "“the player likes it”"} <= said
    assert [panel.get_title(loc="left") for panel in panels[1:]] == [
        "Humidity at the bench",
        "Air temperature",
    ]
    job = a_longer_job()
    tuned = replace(job.sets[0], strings=(StringReading("G3", cents_off=2.0),))
    heard = history_figure(replace(job, sets=(tuned, *job.sets[1:])), [], remarks=False)
    (low,) = [p for p in heard.axes if p.get_title(loc="left").startswith("Open strings")]
    assert list(low.lines[0].get_ydata()) == [2.0, -6.0]
    assert not any("dark" in text.get_text() for text in heard.axes[0].texts)


def test_a_reading_in_doubt_is_marked_in_the_table_over_time():
    (table,) = over_time_tables(a_longer_job())
    assert [row[2].endswith("?") for row in table.rows] == [False, False, True]
    assert table.notes[0][0] == "?"


def test_the_post_is_drawn_from_an_answer_kept_and_read_back():
    moved_once = PostResponse(n_moves=1, places_mm=np.array([[0.0, 0.0], [0.5, 0.0]]))
    figure = post_figure(from_record(PostResponse, json.loads(json.dumps(to_record(moved_once)))), [])
    assert len(figure.axes) == 1
