"""Every reason and fault code in the maker's words.

A code stands with one or more forms. The first is short and always fits; the others speak of values,
and the one that speaks of most, all of them known, is used. A code followed by ``:`` and a word holds
where the reason's value ``what`` or ``side`` is that word.

In a form a value is written by its kind: hz, s, ms, db, cents, shift (signed cents), off (cents from a note,
as flat or sharp), string (its name), percent, share (of 1, in percent), c (degrees Celsius), g, n (a count),
time (hours, as hours or days), set, adj (their ids), kind (of a resonance) or text. No form ends with a full
stop.
"""

CODES: dict[str, tuple[str, ...]] = {
    # recordings
    "lossy": (
        "compressed sound file: frequencies hold, levels and damping may not",
        "compressed sound file ({format:text}): frequencies hold, levels and damping may not",
    ),
    "gain_controlled": (
        "the recorder seems to have changed its gain by itself: levels and damping may be wrong",
    ),
    "noise_gated": (
        "the recorder seems to have cut quiet sound away: damping and weak resonances may be wrong",
    ),
    # taps
    "clipped": ("clipped: the recording was too loud; turn the gain down",),
    "double_hit": ("double hit", "double hit: a second blow {delay:ms} after the first"),
    "too_quiet": (
        "too quiet for this room",
        "too quiet for this room: {snr_db:db} above the noise, {needed_db:db} needed",
    ),
    "cut_short": ("cut short: the recording ends too soon", "cut short: only {left:s} left to ring"),
    "overlaps_next": ("the next tap comes too soon", "the next tap comes too soon, {after:s} later"),
    "dull": ("dull blow", "dull blow: it excites little above {reach:hz}"),
    "unlike_others": ("unlike the other taps",),
    # taps told live
    "still_ringing": (
        "strings still ringing: damp them, or wait",
        "still ringing from the blow before: only {snr_db:db} above it; damp the strings, or wait",
    ),
    "too_soon": ("too soon: the sound that tells the verdict falls into it",),
    "sound_lost": ("the computer lost sound in this tap; close other programs",),
    # the level before a set, and what would help while it is taken
    "no_sound": ("no sound at all: is the microphone on, and not muted?",),
    "level_hot": ("far too loud already: turn the gain down",),
    "noisy": (
        "noisy: switch off the extractor or the fridge, or go nearer",
        "noisy: taps will stand only {expected_db:db} above the room; switch off the extractor or the "
        "fridge, or go nearer with the microphone",
    ),
    "hum_heard": (
        "mains hum: keep the cable away from power supplies and lamps",
        "mains hum at {frequency:hz}, {db:db} above the noise: keep the cable away from power supplies "
        "and lamps",
    ),
    "not_taken": (
        "talk or handling is heard; it is not taken for taps",
        "{n:n} sounds were not taken for taps: talk, or handling",
    ),
    "too_soft": (
        "soft knocks are heard, too soft for a tap: go nearer with the microphone, or turn the gain up",
    ),
    "sounds_on": (
        "what is heard does not die away as a tap does: damp the strings, or go nearer with the microphone",
    ),
    "gain_low": (
        "the level is low: turn the gain up",
        "the level is low, peaks at {peak_dbfs:db} of full scale: turn the gain up",
    ),
    "gain_control_on": (
        "the system changes the gain or cancels echoes: turn that off in its sound settings",
        "{source:text} cancels echoes or changes the gain: choose the microphone itself in the sound "
        "settings",
    ),
    "rate_not_native": (
        "the system changes the sample rate",
        "the system changes the sample rate from {native:hz} to {rate:hz}; --rate sets another",
    ),
    # modes and tap sets
    "takes_disagree": (
        "the recordings disagree: are they one tap set?",
        "the recordings disagree ({one:hz} against {other:hz}): are they one tap set?",
        "recordings {first:n} and {second:n} disagree ({one:hz} against {other:hz}): are they one tap set?",
    ),
    "one_tap": ("only one tap: how far taps differ, and whether the blow bounced, is not known",),
    "few_taps": ("few taps: the uncertainty is wide", "only {n:n} taps: the uncertainty is wide"),
    "one_microphone_place": (
        "one microphone place only: the room may bias these values; a second place would show how much",
    ),
    "microphone_not_noted": (
        "microphone places not noted: whether the room biases these values is not known",
    ),
    "room_passed_by": (
        "the room would limit the microphone here: all is read from the contact sensor alone",
    ),
    "room_heard": (
        "the room is heard in these taps and limits every value: microphone nearer, or at two places",
    ),
    "room_limits": ("the room limits this value",),
    "record_too_short": (
        "damping not shown: the recording of each tap is too short",
        "damping not shown: a tap must ring {needed:s} or longer to show it",
    ),
    "flank": (
        "unsure: faint beside a loud resonance, as the room alone may make one",
        "unsure: faint beside the loud one at {of:hz}, as the room alone may make one",
    ),
    "in_clap": ("the room's own: the clap rings there too", "the room's own: the clap rings at {of:hz} too"),
    "near_clap": (
        "unsure: the clap rings there too",
        "unsure: the clap rings at {of:hz} too, and whether it is the same cannot be told",
    ),
    "in_quiet": ("it sounds before the taps too", "it sounds before the taps too, at {of:hz}"),
    "near_quiet": (
        "unsure: something sounds there before the taps too",
        "unsure: something sounds at {of:hz} before the taps too",
    ),
    "clap_not_read": ("the clap could not be read: clap once, loudly, then two seconds of quiet",),
    "late_slope": (
        "unsure: rings on at the frequency of a louder resonance, as a string or the room does",
        "unsure: rings on at the frequency of the louder one at {of:hz}, as a string or the room does",
    ),
    "bent_decay": ("its decay bends: something rings on at its frequency, and the ± is wider for it",),
    "damping_uncertain": ("damping not shown: too uncertain",),
    "model_misfit": (
        "refused: the sound does not behave like taps on ringing wood",
        "refused: {misfit:share} of the sound is not explained by ringing resonances",
    ),
    "unsettled": ("the list of resonances did not come to rest: some may be missing or told twice",),
    "no_taps": ("no usable tap found",),
    "no_modes": (
        "no resonance stands out of the noise",
        "the tap set {side:text} shows no resonance at all",
    ),
    "not_reached": (
        "the blows excite too little up here",
        "the blows excite little above {reach:hz}; a harder tip and a lighter blow reach higher",
    ),
    "label_without_mode": (
        "a name of yours fits no resonance of this analysis",
        "your name {label:text} at {frequency:hz} fits no resonance of this analysis",
    ),
    "taps_judged_since": (
        "taps were refused or restored since the analysis: 'resonance recompute' heeds it",
        "taps refused or restored since the analysis: {n:n}; 'resonance recompute' heeds it",
    ),
    "one_partial": ("read from one partial alone",),
    "partials_left_out": (
        "some partials do not fit the others",
        "partials that do not fit the others, left out: {n:n}",
    ),
    "track_ambiguous": (
        "may be another resonance than in the other tap sets; 'resonance same' says which it is",
    ),
    "may_be_split": (
        "may be one resonance become two for a while: neither is what it was",
        "with the one at {other:hz} it may be one resonance become two for a while: neither is what it was",
    ),
    "below_noise": ("hidden in the noise",),
    "assumed_strings": ("open strings assumed at the usual notes",),
    # comparisons: one mode
    "outside_band": (
        "the other tap set was not searched there",
        "the other tap set was searched from {low:hz} to {high:hz} only",
    ),
    "hidden_by": (
        "something else in the other tap set lies over it",
        "in the other tap set {kind:kind} at {frequency:hz} lies over it",
    ),
    "unsure_mode": ("not known to be a resonance of the instrument; give it a name if it is",),
    "pair_ambiguous": (
        "it may be one of the other tap set's resonances after all; a name of yours on both sides settles it",
    ),
    "no_uncertainty": (
        "a reading has no known uncertainty",
        "the reading {side:text} has no known uncertainty",
    ),
    "no_uncertainty:both": ("neither reading has a known uncertainty",),
    "close_call": ("a close call: it only just counts as more than chance",),
    "one_of_many": (
        "cannot be told from chance: looked at alone it would count, beside the others it does not",
        "cannot be told from chance: looked at alone it would count, as one of {n:n} it does not; a repeat "
        "tap set would show",
    ),
    "air_temperature": (
        "judged against what the temperature of the air alone does",
        "judged against the {expected_cents:shift} that air of another temperature alone makes",
    ),
    "other_place": ("the other tap set has no tap from this place",),
    "too_weak": (
        "it may have sunk into what the other tap set cannot show",
        "it may have sunk into the noise of the other tap set: {snr_db:db} above it, {needed_db:db} needed",
        "it is too weak beside the strongest resonance to miss it: {level_db:db}, {needed_db:db} needed",
    ),
    "strength_not_known": ("nothing tells how strong it is",),
    "not_followed": ("analysed by an earlier method than this program's; stored readings are compared",),
    "room_bends_shift": (
        "how far it moved is known less well than whether it did: the room, or resonances beside it, bend it",
        "how far it moved is known less well than whether it did: the room, or "
        "resonances beside it, bend it by about {u:about_hz}",
    ),
    "by_one_list": (
        "one tap set alone tells it as a resonance of its own; the sound of the other shows it too",
    ),
    # comparisons: conditions
    "repeatability_assumed": (
        "put-back scatter assumed, not measured; repeat tap sets would show the true one",
        "put-back scatter of about {scatter_cents:cents} assumed, not measured; repeat tap sets would show "
        "the true one",
        "put-back scatter of about {scatter_cents:cents} assumed, not measured; repeat tap sets "
        "({kind:text}) would show the true one",
    ),
    "few_repeats": (
        "the put-back scatter rests on few repeat tap sets",
        "the put-back scatter of about {scatter_cents:cents} rests on few repeat tap sets ({n:n})",
    ),
    "day_to_day_not_known": (
        "day-to-day scatter is not known: the repeat tap sets are of one day",
        "day-to-day scatter is not known: the repeat tap sets are of one day, these {hours:time} apart",
    ),
    "level_scatter_assumed": (
        "the put-back scatter of levels is assumed",
        "the put-back scatter of levels is assumed: {scatter_db:db} a tap set",
    ),
    "common_shift": (
        "most resonances went the same way together: the weather can do that",
        "most resonances went together by about {cents:shift}: the weather can do that",
    ),
    "place_differs": (
        "tap or microphone place differs: shifts may come from the room, levels cannot be compared",
        "{what:text} differs ({before:text} before, {after:text} after): shifts may come from the room",
    ),
    "place_not_known": (
        "tap or microphone place noted on one side only: it may differ",
        "{what:text} not noted {side:text}: it may differ, and with it what the room does",
    ),
    "place_not_noted": (
        "tap or microphone place not noted: taken as the same",
        "{what:text} not noted: taken as the same before and after",
    ),
    "condition_changed": (
        "the conditions changed as well",
        "{what:text} changed as well: {before:text} before, {after:text} after",
    ),
    "condition_changed:temperature": (
        "the temperature changed: air notes follow it at once",
        "{before:c} before, {after:c} after: air notes follow the temperature at once",
        "{before:c} before, {after:c} after: the air alone would move the main air note by "
        "{expected_a0_cents:shift}",
    ),
    "condition_changed:humidity": (
        "the humidity changed: wood follows it, days late",
        "humidity {before:percent} before, {after:percent} after: wood follows it, days late",
    ),
    "condition_changed:mass": (
        "the weight changed as well",
        "weight {before:g} before, {after:g} after",
    ),
    "condition_changed:pitch": (
        "the strings were tuned to another pitch",
        "tuned to A4 = {before:hz} before, {after:hz} after",
    ),
    "string_pitch": (
        "an open string was tuned otherwise: part of a shift may be its pull",
        "the {string:string} string was {before:off} before, {after:off} after: part of a shift may be its "
        "pull",
        "the {string:string} string was {before:off} before; after it was not heard",
        "the {string:string} string was {after:off} after; before it was not heard",
    ),
    "strings_pitch": (
        "the open strings were tuned otherwise: part of a shift may be their pull",
        "the open strings were about {before:off} before, {after:off} after: part of a shift may be their "
        "pull",
    ),
    "check_failed": ("a check failed", "check not in order {side:text}: {what:text}"),
    "several_adjustments": (
        "several adjustments lie between: what each did cannot be told apart",
        "{n:n} adjustments lie between: what each did cannot be told apart",
    ),
    "new_chapter": (
        "a new chapter began between: post, strings or body are no longer the same",
        "{adjustment:adj} began a new chapter: post, strings or body are no longer the same",
    ),
    "bounds": (
        "none found in the resonance frequencies measured; the sound may still differ",
        "none found in the resonance frequencies from {low:hz} to {high:hz}; the sound may still differ",
    ),
    "checks_first": (
        "many resonances fell or broadened together: check seams, cracks, bar and post first",
        "{fallen:n} of {of:n} resonances fell and {broadened:n} broadened: check seams, cracks, bar and post "
        "first",
    ),
    "checks_first:damped": (
        "many resonances fell and damp more than before: check seams, cracks, bar and post first",
        "{fallen:n} of {of:n} resonances fell, and those that fell damp more than before: check seams, "
        "cracks, bar and post first",
    ),
    "checks_first:plate": (
        "many resonances fell or broadened together: see first that the plate is free of cracks and was held "
        "and tapped at the same places",
        "{fallen:n} of {of:n} resonances fell and {broadened:n} broadened: see first that the plate is free "
        "of cracks and was held and tapped at the same places",
    ),
    "time_between": (
        "time lies between: settling and weather are in it",
        "{hours:time} lie between the tap sets: settling and weather are in it",
        "the tap set after was taken {hours:time} after {adjustment:adj}: what settled since is in it",
        "{set:set} was taken {hours:time} after {adjustment:adj}: what settled since is in it",
    ),
    "dates_disagree": (
        "the dates contradict the order of tap sets and adjustments: see which of the two is right",
        "the dates contradict the order of tap sets and adjustments, by {hours:time}: see which of the two "
        "is right",
    ),
    "against_order": (
        "this runs against the order: the later tap set stands first",
        "this runs against the order: shifts are shown from {before:set}, the later one, to {after:set}",
    ),
    "order_not_confirmed": ("the order of tap sets and adjustments is not confirmed",),
    # histories
    "set_not_dated": (
        "a tap set without a date is left out of the course over time",
        "{set:set} has no date and is left out of the course over time",
    ),
    "adjustment_not_dated": (
        "an adjustment without a date is taken to lie midway between the tap sets around it",
        "{adjustment:adj} has no date: taken to lie midway between the tap sets around it",
    ),
    "humidity_not_noted": (
        "humidity was not noted: what the weather did is a wide guess; note it from now on",
        "humidity not noted with {n:n} of {of:n} tap sets: what the weather did is a wide guess; note it "
        "from now on",
    ),
    "temperature_not_noted": (
        "the air's temperature was not noted: air notes follow it at once; note it from now on",
        "the air's temperature was not noted with {n:n} of {of:n} tap sets: air notes follow it at once; "
        "note it from now on",
    ),
    "suspect_set": (
        "a tap set does not fit the others: counted less; was something else different?",
        "{set:set} does not fit the others: counted less; was something else different?",
    ),
    "suspect_reading": (
        "a reading of this resonance does not fit the others: counted less",
        "the reading in {set:set} does not fit the others: counted less",
    ),
    "readings_in_doubt": (
        "readings that may belong to another resonance are left out; 'same' settles it",
        "{n:n} readings may belong to another resonance and are left out; 'same' settles it",
    ),
    "no_set_before": (
        "no tap set before this adjustment shows it",
        "no tap set before {adjustment:adj} shows it: what it did cannot be known",
    ),
    "no_set_after": (
        "no tap set after this adjustment shows it yet",
        "no tap set after {adjustment:adj} shows it yet: tap one",
    ),
    "made_together": (
        "made between the same two tap sets as another adjustment: only both together can be told; a tap set "
        "between would have told them apart",
        "made between the same two tap sets as {others:adj}: only all together can be told "
        "({low:shift} to {high:shift}); a tap set between would have told them apart",
    ),
    "made_together:unseen": (
        "no tap set between this and another adjustment shows it: only both together can be told",
        "no tap set between this and {others:adj} shows it: only all together can be told ({low:shift} to "
        "{high:shift})",
    ),
    "since": (
        "since the adjustment, not at once: time lies between",
        "since {adjustment:adj}, not at once: the next tap set that shows it was taken {hours:time} later",
    ),
    "not_bracketed": (
        "the tap sets around the adjustment that show it lie far apart, so that settling comes in; tap just "
        "before and just after the work",
        "the tap sets around the adjustment that show it lie {hours:time} apart, so that settling comes in; "
        "tap just before and just after the work",
    ),
    "scatter_too_wide": (
        "put-back scatter hides it; repeat tap sets would narrow that",
        "put-back scatter of about {scatter_cents:cents} hides it; repeat tap sets would narrow that",
    ),
    "too_few_sets": (
        "too few tap sets to tell it from settling",
        "only {n:n} tap sets show it: too few to tell it from settling; a few more over the next weeks would",
    ),
    "rate_not_known": (
        "the tap sets do not tell how fast it still drifts; more of them over the next weeks would",
        "it drifts by {low:shift} to {high:shift} a week: more tap sets over the next weeks would narrow "
        "that",
    ),
    "no_end_in_sight": ("when it will have settled cannot be told yet; more tap sets would show",),
    "time_constant_not_known": ("how fast it settles the tap sets do not tell: days to weeks",),
    # comparisons: told to a customer
    "hum_left_out": ("readings on mains hum are left out", "readings on mains hum left out: {n:n}"),
    "unsure_left_out": ("unsure resonances are left out", "unsure resonances left out: {n:n}"),
    # what would help
    "tap_again": (
        "tap the bridge lightly, five to eight times, with a second of quiet before the first tap",
    ),
    "more_taps": (
        "more taps: five to eight in all",
        "{n:n} more taps: the ± shrinks by about {gain:share}",
    ),
    "nearer": (
        "microphone nearer, 10 to 40 cm off, or a quieter moment",
        "microphone nearer, 10 to 40 cm off: at half the distance the ± shrinks by about {gain:share}",
    ),
    "second_place": (
        "more taps with the microphone at a second place: two files, one tap set",
        "{n:n} more taps with the microphone at a second place, two files: the ± shrinks by about "
        "{gain:share}",
    ),
    "damp_strings": (
        "quieten the strings, at pitch: resonances stand under a ringing one",
        "quieten the strings, at pitch; resonances under a ringing one: {n:n}",
    ),
    "harder_tip": (
        "a harder tip and a lighter blow reach higher",
        "a harder tip and a lighter blow reach higher: these reach to about {reach:hz}",
    ),
    "gain_down": (
        "turn the gain down until no tap clips",
        "turn the gain down until no tap clips; taps lost: {n:n}",
    ),
    "one_blow": (
        "one blow, then hands off: a tip that rests or bounces hits twice",
        "one blow, then hands off: a tip that rests or bounces hits twice; taps lost: {n:n}",
    ),
    "let_ring": (
        "let each tap die away, about a second, before the next one and before you stop",
        "let each tap die away, about a second, before the next one and before you stop; taps lost: {n:n}",
    ),
    "record_plainly": ("record WAV or FLAC, with automatic gain, noise suppression and voice modes off",),
    # post
    "few_moves": (
        "too few moves of the post: from one or two nothing is said",
        "{n:n} moves of the post read, {needed:n} needed: from fewer nothing is said",
    ),
    "move_without_distance": (
        "moves without a distance are left out",
        "moves left out, no distance noted: {n:n}; 'resonance job edit JOB adj1 along=0.5' adds it",
    ),
    "move_not_read": (
        "moves are left out that no tap set shows alone",
        "moves left out: {n:n}; each needs a tap set before and after it, with no other work between",
    ),
    "ends_differ": (
        "moves of another end of the post are left out: they tilt it otherwise",
        "moves of another end of the post left out: {n:n}; they tilt it otherwise (end counted: {end:text})",
    ),
    "not_moved_that_way": (
        "too few moves one way",
        "{way:text}: not known; moves of 0.15 mm or more that way: {n:n}, {needed:n} needed",
    ),
    "slope_uncertain": (
        "moved, but what it does is not known well enough for any resonance",
        "{way:text}: moved, but what it does is not known well enough for any resonance; more moves, or "
        "repeat tap sets around them, would show",
    ),
    # put-back scatter
    "repeats_used": ("repeat tap sets used", "repeat tap sets used, {kind:text}: {n:n}"),
    "repeat_base_missing": (
        "a repeat tap set was left out: what it repeats is not at hand",
        "{set:set} was left out: {of:set}, which it repeats, is not at hand",
    ),
    "repeat_after_adjustment": (
        "a repeat tap set was left out: an adjustment lies between",
        "{set:set} was left out as a repeat of {of:set}: an adjustment lies between",
    ),
    "repeat_not_paired": (
        "a repeat tap set was left out: no resonance could be paired without doubt",
        "{set:set} was left out as a repeat of {of:set}: no resonance could be paired without doubt",
    ),
    "repeat_kind_not_noted": (
        "a repeat tap set does not say what was done between: taken as untouched",
        "{set:set} does not say what was done since {of:set}: taken as untouched",
    ),
    "repeats_of_one_day": ("repeat tap sets of one day: what changes from day to day is not in them",),
    # bowed notes
    "no_notes": ("no held note was found: bow notes of two seconds, with a short silence between",),
    "not_repeated": (
        "no note was played twice: what is the instrument and what the player cannot be told apart; play "
        "each note twice",
    ),
    "few_notes": (
        "too few notes to judge how even they are",
        "too few different notes to judge how even they are: {n:n}",
    ),
    "few_neighbours": ("too few notes beside it to hold it against",),
    "short_note": ("a short note", "a short note: {duration:s} of it could be used; hold it for two seconds"),
    "soft_note": ("soft", "soft: its partials stand only {snr_db:db} above the noise between them"),
    "octave_unsure": ("its octave is not quite sure",),
    "too_short_for_beats": (
        "too short to tell vibrato or a wolf",
        "too short to tell vibrato or a wolf: {duration:s} of it could be used",
    ),
    "places_differ": ("the microphone stood elsewhere: levels cannot be compared",),
    "microphone_place_not_noted": (
        "the microphone's place is not noted: what is compared holds only if it stood where it stood",
    ),
    "player_differs": ("someone else played: levels cannot be compared",),
    "player_not_noted": (
        "who played is not noted: what is compared holds only for the same player, bow and room",
    ),
    "few_common_notes": (
        "too few notes were played in both to compare their sound",
        "notes played in both: {n:n}; too few to compare their sound",
    ),
    "levels_far_apart": (
        "one is much louder: gain, distance or bowing changed, so levels cannot be compared",
        "one is {db:db} louder: gain, distance or bowing changed, so levels cannot be compared",
    ),
    "methods_differ": ("they were read by different methods; read both anew",),
    "scatter_assumed": (
        "how much two sittings differ by themselves is only assumed: bow the same notes on two days with "
        "nothing changed",
        "how much two sittings differ by themselves is only assumed ({scatter_db:db}): bow the same notes "
        "again with nothing changed",
    ),
    "slide_not_followed": (
        "no slow, even slide was found: slide up one string in about ten seconds, on one bow or few",
    ),
    "slide_too_narrow": (
        "the slide is too narrow: slide over half an octave or more",
        "the slide spans only {semitones:n} semitones: slide over half an octave or more",
    ),
    "below_family": (
        "lower than such an instrument plays: say which it is with --family, and all notes are read again",
    ),
}
