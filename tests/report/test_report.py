"""A whole report, as text and as HTML: what it says, what it leaves out, escaping, nothing fetched."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from resonance.changes.comparison import Comparison
from resonance.jobs.job import Entry, Job
from resonance.modes.intervals import frequency_half_width
from resonance.modes.mode import StringReading
from resonance.reasons import Fault, Reason
from resonance.report.blocks import Picture
from resonance.report.content import build_report
from resonance.report.html import report_html
from resonance.report.numbers import NO_BREAK, measured
from resonance.report.readings import other_lines, readings_table, set_blocks
from resonance.report.text import WIDTH, blocks_text, columns, report_text
from resonance.report.timeline import between, timeline_of
from resonance.sets.instrument import Instrument
from resonance.sets.setup import Adjustment, Setup, String
from resonance.sets.tapset import Conditions

BANNED = ("signature mode", "residue", "posterior", "pole", "posteriori")
HOSTILE = "<script>alert(1)</script>\"'><img src=http://evil.example/x onerror=alert(1)> & {{ 7*7 }} $x_{ $"
VOID = {"meta", "br", "img", "link", "hr", "input"}


class Reader(HTMLParser):
    """Collects tags with attributes and the words between them, and checks that tags nest."""

    def __init__(self):
        super().__init__()
        self.tags, self.words, self.open, self.style = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data):
        (self.style if self.open[-1:] == ["style"] else self.words).append(data)


def read(page):
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


def words_of(page):
    return " ".join(" ".join(read(page).words).replace(NO_BREAK, " ").split())


def flat(text):
    return " ".join(text.split())


@pytest.fixture(params=["text", "html"])
def written(request):
    """Both ways to write a report, as one line of plain words."""

    def write(job, comparisons=(), **options):
        if request.param == "text":
            return flat(report_text(job, comparisons, **options))
        return words_of(report_html(job, comparisons, **options))

    return write


def hostile_job(job):
    bad = HOSTILE
    named = tuple(
        replace(mode, label=bad, labelled_by="maker", reasons=(Reason(bad, {bad: bad}),))
        for mode in job.sets[0].modes
    )
    take = job.sets[0].takes[0]
    first = replace(
        job.sets[0],
        modes=named,
        takes=(
            replace(take, tap_place=bad, microphone_place=bad, recording=replace(take.recording, source=bad)),
        ),
        conditions=Conditions(
            holding=bad, string_damping=bad, tapper=bad, microphone=bad, remark=bad, checks={bad: True}
        ),
        taps=(replace(job.sets[0].taps[0], kept=False, faults=(Fault(bad, {bad: bad}),)),),
        reasons=(Reason("lossy", {"format": bad}),),
    )
    return replace(
        job,
        instrument=Instrument(bad, "viola", maker=bad, year=bad, owner=bad, notes=bad),
        sets=(first, *job.sets[1:]),
        adjustments=(Adjustment("adj1", None, "bridge", note=bad), job.adjustments[1]),
        timeline=(*job.timeline, Entry("remark", text=bad)),
        notes=bad,
    )


@pytest.mark.parametrize("audience", ["customer", "bench"])
def test_whatever_the_maker_wrote_is_escaped(job, comparisons, audience):
    plain = read(report_html(job, comparisons, audience=audience, notice="n"))
    page = report_html(hostile_job(job), comparisons, audience=audience, notice=HOSTILE)
    reader = read(page)
    assert {tag for tag, _ in reader.tags} == {tag for tag, _ in plain.tags}
    assert not [a for _, attributes in reader.tags for a in attributes if a.startswith("on")]
    assert "alert(1)" in " ".join(reader.words)
    assert "7*7" in " ".join(reader.words)  # not worked out by the template either


def picture(place="over time", key=""):
    svg = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1"><path id="p" d="M0 0"/></svg>'
    return Picture(place, svg, f"A caption for {place} & more", key)


def test_a_verdict_stays_on_one_line_and_long_tables_may_break_between_pages(job, comparisons):
    page = report_html(job, comparisons)
    assert '<td class="verdict">no change seen</td>' in page.replace(NO_BREAK, " ")
    assert re.search(r"td\.verdict \{ white-space: nowrap; \}", page)
    kept_whole = [part.split("</table>")[0] for part in page.split('class="table short"')[1:]]
    assert kept_whole
    assert max(table.count("<tr>") - 1 for table in kept_whole) < 10


def test_the_page_fetches_nothing(job, comparisons):
    pictures = [picture(), picture("changes", "set1 set2"), picture("readings", "set3")]
    page = report_html(job, comparisons, pictures)
    reader = read(page)
    assert page.count("<svg") == 3
    for tag, attributes in reader.tags:
        assert tag not in ("script", "link", "img", "iframe", "object", "embed", "base", "form")
        for name, value in attributes.items():
            if name in ("src", "href", "xlink:href", "data", "action", "poster", "srcset"):
                assert value.startswith("#"), f"{tag} {name}={value}"
            if name == "style":
                assert "url(" not in value.replace("url(#", "")
    style = " ".join(reader.style)
    assert "@import" not in style
    assert "url(" not in style
    assert "@page" in style
    assert "@media print" in style


def test_pictures_stand_in_their_places(job, comparisons):
    report = build_report(
        job, comparisons, [picture(), picture("changes", "set2 set3"), picture("readings", "set2")]
    )
    sections = {section.name: section for section in report.sections}
    assert "picture" in [block.kind for block in sections["time"].blocks]
    changes = {part.name: [block.kind for block in part.blocks] for part in sections["changes"].sections}
    assert "picture" in changes["set2-set3"]
    assert "picture" not in changes["set1-set2"]
    sets = {part.name: [block.kind for block in part.blocks] for part in sections["sets"].sections}
    assert "picture" in sets["set2"]
    assert "picture" not in sets["set1"]


def test_every_reading_appears(written, job, comparisons):
    said = written(job, comparisons)
    for tap_set in job.sets:
        for mode in tap_set.modes:
            assert measured(mode.frequency, frequency_half_width(mode)) in said
            assert f"{mode.peak:.1f}" in said or mode.kind == "string"
    assert said.count("String partials, Hz: 196.30 ± 0.05.") == 3


def test_every_refused_tap_appears_with_its_reason(written, job, comparisons):
    said = written(job, comparisons)
    assert "Tap 9 at 9.00 s, refused: double hit: a second blow 42 ms after the first." in said
    assert "refused: clipped" in said
    assert "it excites little above 640 Hz." in said


def test_every_verdict_appears_with_its_bounds(written, job, comparisons):
    said = written(job, comparisons)
    assert "differs by +2.1" in said
    assert said.count("could have gone unseen.") >= 4 + 6
    assert "None found in the resonance frequencies from 60 to 1200 Hz; the sound may still differ." in said
    assert "The order of tap sets and adjustments is not confirmed." in said


def test_what_was_done_stands_in_the_makers_order(written, job):
    said = written(job)
    at = [
        said.index(words)
        for words in ("Tap set 1: 8", "a hair tighter", "Tap set 2: 8", "waist thinned", "Tap set 3: 8")
    ]
    assert at == sorted(at)
    assert said.count("not confirmed") >= 3


def test_the_customer_does_not_see_what_is_the_makers_own(written, job, comparisons):
    said = written(job, comparisons)
    for secret in ("Mr Private", "owes me", "invoice pending", "bench secret", "Ada Hostile",
                   "left overnight", "taps one.wav", "B1+", "A0", "a guess"):  # fmt: skip
        assert secret not in said, secret
    assert "B1−" in said


def test_the_bench_sees_all(written, job, comparisons):
    said = written(job, comparisons, audience="bench")
    for words in ("Mr Private", "owes me", "invoice pending", "bench secret", "Ada Hostile", "left overnight",
                  "taps one.wav", "B1+?", "A0?", "a guess", "tap to tap"):  # fmt: skip
        assert words in said, words


@pytest.mark.parametrize("audience", ["customer", "bench"])
def test_words_that_stay_off_the_screen(written, job, comparisons, audience):
    said = written(job, comparisons, audience=audience).lower()
    assert not [word for word in BANNED if re.search(rf"\b{word}", said)]
    assert "nan" not in said.replace("nance", "")
    assert "none," not in said


def test_setup_conditions_and_cautions_are_told(written, job):
    said = written(job)
    for words in ("71.5 mm long", "kevlar 62 mm", "21 °C, 45 % humidity, 2 h in the room", "felt strip",
                  "not checked: bridge upright", "push the top in", "qualified restorer",
                  "Method 1, resonance 0.1.0", "numpy 2.4.6", "95 % interval",
                  "neither the identity nor the value nor the condition"):  # fmt: skip
        assert words in said, words


@pytest.mark.parametrize("piece", ["top", "back"])
def test_a_free_plate_is_not_warned_of_strings_bridge_and_post(job, piece):
    plate = replace(job, instrument=replace(job.instrument, piece=piece))
    care = next(section for section in build_report(plate).sections if section.name == "care")
    said = " ".join(care.blocks[0].items).lower()
    assert not re.search("string|bridge|post|f-hole|varnish", said)
    assert "cannot be put back" in said


def test_the_meaning_of_plus_minus_is_told_once(written, job, comparisons):
    assert written(job, comparisons).count("Every ± is half the width") == 1


def test_an_empty_job_makes_a_report(written):
    said = written(Job("new", Instrument("No. 7")))
    assert "No tap set yet." in said
    assert "No setup is noted." in said


def test_a_job_without_comparison_or_modes(written, job):
    bare = replace(job.sets[0], modes=(), reasons=(Reason("model_misfit", {"misfit": 0.41}),))
    said = written(replace(job, sets=(bare,), adjustments=(), timeline=()))
    assert "1 tap set so far; nothing has been compared yet." in said
    assert "Refused: 41 % of the sound is not explained by ringing resonances." in said
    assert "No resonance is shown for this tap set." in said


def test_checks_come_before_any_talk_of_the_adjustment(written, job, comparisons):
    checks = Reason("checks_first", {"fallen": 5, "of": 6, "broadened": 3})
    worse = replace(comparisons[0], reasons=(checks,))
    said = written(job, (worse,))
    assert said.index("check seams, cracks, bar and post first") < said.index("2 of 6 resonances")


def test_the_summary_tells_the_last_comparison_and_the_earlier_ones_in_a_line(job, comparisons):
    short = build_report(job, comparisons).sections[0]
    lead = next(block for block in short.blocks if getattr(block, "tone", "") == "lead")
    assert lead.text == "Tap set 2 → tap set 3 (Bridge: waist thinned). No change seen."
    (earlier,) = [block for block in short.blocks if block.kind == "table"]
    # limits of 11 cents, rounded up: 231.4 and 612.7 Hz give 1.48 and 3.91
    # B1- 352.6 -> 354.7 Hz, B1+ 441.3 -> 443.82 Hz; half widths of 9 cents: 352.6 (2^(9/1200) - 1) = 1.8 Hz
    assert earlier.rows == (
        (
            "1",
            "4 March 2025",
            "Soundpost 0.25 mm away from the bridge and…",
            "1 → 2",
            "B1− differs by +2.1 ± 1.8 Hz; near 441 Hz differs by +2.5 ± 2.3 Hz",
            "1.5 to 4.0 Hz",
        ),
    )


def many_shifts(comparison, n=12):
    """A comparison with many nameless modes that did not change, the last one limited by something."""
    one = comparison.shifts[1]
    names = [replace(one, track=f"n{k}", before=replace(one.before, frequency=700.0 + k)) for k in range(n)]
    last = replace(names[-1], verdict="ambiguous", reasons=(Reason("no_uncertainty", {"side": "after"}),))
    return replace(comparison, shifts=(*comparison.shifts, *names[:-1], last))


def test_many_unchanged_modes_stand_in_the_table_alone(written, job, comparisons):
    said = written(job, (many_shifts(comparisons[0]),))
    assert said.count("A shift under 2.1 Hz could have gone unseen.") == 0
    assert "15 further resonances in the table: 14 no change seen and 1 cannot tell." in said
    assert said.count("differs by +2.1") == 2  # in short, and among the verdicts
    assert "a: The reading after has no known uncertainty." in said.replace("a The", "a: The")
    for k in range(12):
        assert f"{700.0 + k:.1f} → 318.2" in said


def with_modes(comparison, **changes):
    """A comparison whose second shift has other modes or another verdict."""
    first, second, *rest = comparison.shifts
    return replace(comparison, shifts=(first, replace(second, **changes), *rest))


def test_a_customer_is_not_shown_hum_or_what_nobody_knows_to_be_a_resonance(written, job, comparisons):
    first, second, third, fourth, *rest = comparisons[0].shifts
    over_hum = Reason("hidden_by", {"kind": "hum", "frequency": 100.0})
    hum = replace(second, before=replace(second.before, frequency=100.1), verdict="ambiguous", after=None,
                  reasons=(over_hum,))  # fmt: skip
    unsure = replace(
        fourth, before=replace(fourth.before, kind="unsure", frequency=411.1), verdict="ambiguous"
    )
    sure = replace(unsure, before=replace(unsure.before, frequency=777.7), verdict="no change seen")
    named = replace(third, before=replace(third.before, kind="unsure"), verdict="ambiguous")  # by the maker
    comparison = replace(comparisons[0], shifts=(first, hum, named, unsure, sure, *rest))
    said = written(job, (comparison,))
    assert "100.1" not in said
    assert "411.1" not in said
    assert "777.7" in said
    assert "352.6 → 354.7 Hz: cannot tell" in said
    assert "Readings on mains hum left out: 1." in said
    assert "Unsure resonances left out: 1." in said
    bench = written(job, (comparison,), audience="bench")
    assert "100.1" in bench
    assert "411.1" in bench
    assert "left out:" not in bench


def test_where_something_is_left_out_nothing_is_said_of_all(written, job, comparisons):
    told = written(job, comparisons[1:])
    assert "No change seen." in told
    assert "None found in the resonance frequencies" in told
    only = comparisons[1].shifts[1]
    unsure = with_modes(
        comparisons[1], before=replace(only.before, kind="unsure"), verdict="ambiguous", after=None
    )
    told = written(job, (unsure,))
    assert "No shift seen in what could be paired." in told
    assert "None found in the resonance frequencies" not in told


def test_a_frequency_read_otherwise_than_the_set_by_itself_has_a_footnote(written, job, comparisons):
    words = "read from one list of resonances"
    assert words not in written(job, comparisons)
    shown = comparisons[0].shifts[1].after
    within = with_modes(comparisons[0], after=replace(shown, frequency=shown.frequency + 0.01))
    assert words not in written(job, (within,))  # 318.21 Hz is still 318.2 Hz
    beyond = with_modes(comparisons[0], after=replace(shown, frequency=shown.frequency + 0.2))
    assert written(job, (beyond,)).count(words) == 1


def test_a_free_plate_is_told_as_such(written):
    said = written(Job("plate", Instrument("No. 8", "violin", "top")))
    assert "violin, free top plate" in said
    assert "push the top in" not in said  # no strings, no post


def test_bands_that_cannot_be_compared_are_a_word_and_not_a_table(written, job, comparisons):
    said = written(job, comparisons[:1])
    assert "1000 to 1260 Hz +1.4 ± 0.6 changed" in said
    assert "Hz up cannot be compared: high up that takes the same two microphone places" in said
    none = replace(comparisons[0], bands=comparisons[0].bands[1:])
    assert "Levels of bands cannot be compared" in written(job, (none,))


def test_a_notice_stands_before_all_else(written, job):
    said = written(job, notice="Invented: made-up instrument")
    assert said.index("Invented: made-up instrument") < said.index("In short")


def test_an_unknown_audience_is_refused(job):
    with pytest.raises(ValueError, match="customer, bench"):
        build_report(job, audience="neighbour")


def test_the_page_is_the_same_every_time(job, comparisons):
    assert report_html(job, comparisons, [picture()]) == report_html(job, comparisons, [picture()])


def test_text_keeps_within_its_width(job, comparisons):
    lines = report_text(job, comparisons).splitlines()
    assert max(columns(line) for line in lines) <= WIDTH + 20  # tables of numbers may be a little wider
    prose = [line for line in lines if "  " not in line.strip()]
    assert max(columns(line) for line in prose) <= WIDTH


def test_adjustments_between_two_sets(job, comparisons):
    assert [a.id for a in between(job, comparisons[0])] == ["adj1"]
    assert [a.id for a in between(job, Comparison((), before="set1", after="set3"))] == ["adj1", "adj2"]
    assert between(job, Comparison((), before="set1", after="set9")) == ()


def test_a_job_without_timeline_falls_back_on_what_the_sets_say(job):
    ids = [entry.id for entry in timeline_of(replace(job, timeline=()))]
    assert ids == ["set1", "adj1", "set2", "adj2", "set3"]


def test_single_blocks_as_text(job):
    text = blocks_text(set_blocks(job.sets[0]))
    assert "352.6 ± 0.6" in text
    assert "a: Damping not shown: a tap must ring 0.9 s or longer to show it." in text


def test_empty_columns_are_left_out(job):
    columns_ = readings_table(job.sets[0], guesses=False).columns
    assert "Limited by" not in columns_
    assert "Limited by" in readings_table(job.sets[0], bench=True).columns


def test_open_strings_are_told_with_their_tension_where_it_is_far_off(job):
    read = (
        StringReading("G3", 195.9977, 195.77, 0.01, 4.0, -2.0, tension_ratio=0.998),
        StringReading("D4", 293.6648, 283.66, 0.01, 4.0, -60.0, tension_ratio=0.933),
    )
    heard = replace(job.sets[0], strings=read, setup=Setup(strings=(String("D4", tension_n=42.0),)))
    # t(0.975, 4) = 2.776 (any table): half widths of 0.028 Hz
    assert other_lines(heard)[0] == (
        "Open strings, Hz: G 195.770 ± 0.028 (2 cents flat), "
        "D 283.660 ± 0.028 (60 cents flat, tension 39 of 42 N)."
    )
    bare = replace(heard, setup=Setup())
    assert "D 283.660 ± 0.028 (60 cents flat, tension −7 %)" in other_lines(bare)[0]
