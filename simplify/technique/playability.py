"""What a player can't do: one check per hard limit, each returning the offenders.

A fault is physical: a limit of the player (tiers.toml) or of the harp is broken as the music is
divided and fingered in the performance. Times count as broken below the player's `hard_share` of
the comfortable time; what is merely awkward is not a fault. Sentences are for a musician.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise

from simplify.harp.player import Limits
from simplify.score.model import ALTER_SIGNS, STEPS, TICKS, Pitch
from simplify.technique.fingers import HandModel, constant, hand_model, string_constant
from simplify.technique.hands import HandChord, busy_until, hand_chords, hand_steps
from simplify.technique.plan import Fault, Performance

HAND_NAMES = {"L": "left", "R": "right"}
_GRAIN = 5e-4
"""Half a millisecond, the grain of the costs: a time short by less is not short."""

Check = Callable[[Performance], tuple[Fault, ...]]


def find_faults(performance: Performance) -> tuple[Fault, ...]:
    """What every check finds, in time order (then in the order of `ALL_CHECKS`)."""
    found = [fault for check in ALL_CHECKS for fault in check(performance)]
    return tuple(sorted(found, key=lambda fault: fault.onset))


def trills(performance: Performance) -> tuple[tuple[int, bool], ...]:
    """(strike index, True if one hand must play it alone) for every trill sign.

    The other hand helps if it strikes nothing until the trill ends, and not at its beginning
    either unless the trill leaves time to place twice over (`jump_seconds`). A sign on a note of
    at most `ornament_seconds` is an ornament of two or three notes and left out.
    """
    found = []
    shortest = constant("ornament_seconds")
    jump = performance.player.limits.jump_seconds
    ends = busy_until(performance.part, performance.seconds)
    for i, end in ends.items():
        if not performance.strikes[i].first.has("trill"):
            continue
        begin = performance.seconds[i]
        if end - begin <= shortest + _GRAIN:
            continue
        other = "R" if performance.hand_plan.hands[i] == "L" else "L"
        times = [c.at for c in hand_chords(performance, other)]
        inside = any(begin + _GRAIN < at < end - _GRAIN for at in times)
        at_once = any(abs(at - begin) <= _GRAIN for at in times)
        found.append((i, inside or (at_once and end - begin < 2 * jump)))
    return tuple(found)


# What one hand holds


def check_too_many_notes(performance: Performance) -> tuple[Fault, ...]:
    """More strings at once than the player takes in a hand."""
    most = performance.player.limits.notes_per_hand
    return tuple(
        _fault(
            performance, "too_many_notes", chord.strikes, hand,
            f"the {HAND_NAMES[hand]} hand has {len(chord.strings)} notes at once, this player"
            f" takes {most}",
        )
        for hand, chord in _chords(performance)
        if len(chord.strings) > most
    )


def check_reach(performance: Performance) -> tuple[Fault, ...]:
    """Two fingers of a hand further apart than the player reaches."""
    limits, found = performance.player.limits, []
    for hand, chord in _chords(performance):
        worst = _widest(limits, chord)
        if worst is not None:
            over, low, high = worst
            gap = chord.strings[high] - chord.strings[low]
            fingers = chord.fingers[high], chord.fingers[low]
            text = (
                f"fingers {fingers[0]} and {fingers[1]} of the {HAND_NAMES[hand]} hand lie"
                f" {_interval(gap)} apart ({_name(performance, chord, low)} to"
                f" {_name(performance, chord, high)}), this player reaches {_interval(gap - over)}"
            )
            found.append(_fault(performance, "reach", chord.strikes, hand, text))
    return tuple(found)


def check_right_too_low(performance: Performance) -> tuple[Fault, ...]:
    """The right hand below its lowest string."""
    lowest = performance.player.limits.right_low
    return tuple(
        _fault(
            performance, "right_too_low", chord.strikes, "R",
            f"the right hand goes down to {_name(performance, chord, 0)}, its lowest"
            f" string is {_string(lowest)} for this player",
        )
        for chord in hand_chords(performance, "R")
        if chord.strings[0] < lowest
    )


def check_harmonics(performance: Performance) -> tuple[Fault, ...]:
    """More harmonics at once than a hand can stop, or harmonics where strings don't give them."""
    most = {"L": int(constant("left_harmonics")), "R": int(constant("right_harmonics"))}
    lowest, highest = string_constant("harmonic_lowest"), string_constant("harmonic_highest")
    found = []
    for hand, chord in _chords(performance):
        marked = tuple(
            i for i in chord.strikes if performance.strikes[i].first.has("harmonic")
        )
        if not marked:
            continue
        strings = {performance.strings[i] for i in marked}
        name = HAND_NAMES[hand]
        if len(strings) > most[hand]:
            text = f"{len(strings)} harmonics at once in the {name} hand, which plays {most[hand]}"
            found.append(_fault(performance, "harmonics", marked, hand, text))
        outside = sorted(s for s in strings if not lowest <= s <= highest)
        if outside:
            text = (
                f"a harmonic on the {_string(outside[0])} string; they speak from"
                f" {_string(lowest)} to {_string(highest)}"
            )
            found.append(_fault(performance, "harmonics", marked, hand, text))
    return tuple(found)


def check_etouffes(performance: Performance) -> tuple[Fault, ...]:
    """More damped notes (étouffés) at once than a hand can damp."""
    most = {"L": int(constant("left_etouffes")), "R": int(constant("right_etouffes"))}
    found = []
    for hand, chord in _chords(performance):
        marked = tuple(i for i in chord.strikes if performance.strikes[i].first.has("etouffe"))
        count = len({performance.strings[i] for i in marked})
        if count > most[hand]:
            text = (
                f"{count} notes to damp at once in the {HAND_NAMES[hand]} hand, which damps"
                f" {most[hand]}"
            )
            found.append(_fault(performance, "etouffes", marked, hand, text))
    return tuple(found)


# Strings


def check_off_range(performance: Performance) -> tuple[Fault, ...]:
    """Notes below or above the harp's strings."""
    harp = performance.player.harp
    off = {
        i: None
        for unmet in performance.pedal_plan.unmet
        if unmet.kind == "range"
        for i in unmet.strikes
    }
    for i, string in enumerate(performance.strings):
        if not harp.lowest <= string <= harp.highest:
            off[i] = None
    return tuple(
        _fault(
            performance, "off_range", (i,), performance.hand_plan.hands[i],
            f"{performance.strikes[i].pitch.name} is off the harp, which goes from"
            f" {harp.range_text}",
        )
        for i in sorted(off)
    )


def check_discless(performance: Performance) -> tuple[Fault, ...]:
    """Strings without discs asked for more than the one sound they are tuned to."""
    return _unmet(performance, "discless", "discless")


def check_string_clash(performance: Performance) -> tuple[Fault, ...]:
    """One string wanted twice at once: in two alterations, by both hands, or by one hand just
    after the other."""
    found = []
    limits = performance.player.limits
    need = limits.repeat_seconds * constant("other_hand_share")
    for rows in _by_moment(performance):
        for string, group in rows.items():
            alters = sorted({performance.pedal_plan.played[i].alter for i in group})
            asks = {performance.strikes[i].first.hand for i in group} - {""}
            if len(alters) > 1:
                names = " and ".join(Pitch.on_string(string, a).name for a in alters)
                text = f"{names} are wanted of one string at once"
                found.append(_fault(performance, "string_clash", group, "both", text))
            elif len(asks) > 1:
                text = f"both hands are to pluck the {_string(string)} string at once"
                found.append(_fault(performance, "string_clash", group, "both", text))
    for a, b, string in _replucks(performance):
        gap = performance.seconds[b] - performance.seconds[a]
        hands = performance.hand_plan.hands
        if hands[a] != hands[b] and gap < limits.hard_share * need - _GRAIN:
            has, needs = _short(gap, limits.hard_share * need)
            text = (
                f"the {HAND_NAMES[hands[b]]} hand wants the {_string(string)} string"
                f" {has} after the {HAND_NAMES[hands[a]]} hand has plucked it, this player"
                f" needs {needs}"
            )
            found.append(_fault(performance, "string_clash", (a, b), "both", text, last=True))
    return tuple(found)


def check_repeat_too_fast(performance: Performance) -> tuple[Fault, ...]:
    """One hand plucks one string again too soon, written out or as a tremolo on one note."""
    limits, found = performance.player.limits, []
    hands = performance.hand_plan.hands
    need = limits.hard_share * limits.repeat_seconds
    again: dict[tuple[str, float], list[tuple[int, int, int]]] = {}
    for a, b, string in _replucks(performance):
        gap = performance.seconds[b] - performance.seconds[a]
        if hands[a] == hands[b] and gap < need - _GRAIN:
            key = (hands[b], round(performance.seconds[b], 6))
            again.setdefault(key, []).append((a, b, string))
    for (hand, at), rows in again.items():
        gap = at - max(performance.seconds[a] for a, _, _ in rows)
        played = performance.pedal_plan.played
        names = " ".join(played[b].name for _, b, _ in sorted(rows, key=lambda row: row[2]))
        strikes = tuple(sorted({i for a, b, _ in rows for i in (a, b)}))
        has, needs = _short(gap, need)
        text = (
            f"the {HAND_NAMES[hand]} hand plucks {names} again after {has}, this player"
            f" needs {needs}"
        )
        found.append(_fault(performance, "repeat_too_fast", strikes, hand, text, last=True))
    for hand, chord in _chords(performance):
        found += _tremolo_faults(performance, hand, chord)
    return tuple(found)


def _tremolo_faults(performance: Performance, hand: str, chord: HandChord) -> list[Fault]:
    """A tremolo sign on a single note: several notes are rustled in any order, one is repeated."""
    marks = [
        (i, mark)
        for i in chord.strikes
        if (mark := performance.strikes[i].first.mark("tremolo")) is not None
    ]
    if len(chord.strings) != 1 or not marks:
        return []
    i, mark = marks[0]
    limits, strike = performance.player.limits, performance.strikes[i]
    part = performance.part
    quarter = part.seconds(strike.onset + TICKS) - part.seconds(strike.onset)
    gap = quarter / 2 ** mark.strokes
    begin, end = performance.seconds[i], performance.until[i]
    other = hand_chords(performance, "R" if hand == "L" else "L")
    alone = any(begin - _GRAIN < c.at < end - _GRAIN for c in other)
    need = limits.hard_share * limits.repeat_seconds
    if not alone:
        need *= constant("other_hand_share")
    if gap >= need - _GRAIN or end - begin <= gap + _GRAIN:
        return []
    who = f"the {HAND_NAMES[hand]} hand" if alone else "both hands in turn"
    has, needs = _short(gap, need)
    text = (
        f"a tremolo on one string: {who} would pluck {_name(performance, chord, 0)} every"
        f" {has}, this player needs {needs}"
    )
    side = hand if alone else "both"
    return [_fault(performance, "repeat_too_fast", (i,), side, text)]


# Pedals and levers


def check_pedal_setting(performance: Performance) -> tuple[Fault, ...]:
    """No setting of the pedals gives these notes."""
    return _unmet(performance, "setting", "pedal_setting")


def check_pedal_held(performance: Performance) -> tuple[Fault, ...]:
    """A pedal would have to move while a string of its letter is held."""
    return _unmet(performance, "held", "pedal_held")


def check_pedal_time(performance: Performance) -> tuple[Fault, ...]:
    """The foot has no time for the move."""
    return _unmet(performance, "time", "pedal_time")


def check_lever_under_left_hand(performance: Performance) -> tuple[Fault, ...]:
    """A lever to be turned while the left hand plays."""
    found = []
    away = constant("lever_seconds")
    first = min((strike.onset for strike in performance.strikes), default=0)
    for move in performance.pedal_plan.moves:
        if move.string is None or move.onset <= first:  # the first levers are set beforehand
            continue
        end = performance.part.seconds(move.onset)
        for chord in hand_chords(performance, "L"):
            if end - away - _GRAIN <= chord.at <= end + _GRAIN:
                sign = ALTER_SIGNS[move.after]
                text = (
                    f"the left hand plays while it should turn the lever of"
                    f" {_string(move.string)} to {move.letter}{sign}; it needs {_seconds(away)}"
                )
                found.append(
                    _fault(performance, "lever_under_left_hand", chord.strikes, "L", text)
                )
    return tuple(found)


# Time


def check_jump_too_fast(performance: Performance) -> tuple[Fault, ...]:
    """A hand has no time to place where it must play next."""
    model, found = _model(performance), []
    for hand in "LR":
        for step in hand_steps(performance, hand):
            if step.kind != "place":
                continue
            need = performance.player.limits.hard_share * model.jump_need(step.travel)
            if step.seconds < need - _GRAIN:
                has, needs = _short(step.seconds, need)
                away = round(step.travel)
                where = f"{away} strings away" if away > 1 else "anew where it is"
                text = (
                    f"the {HAND_NAMES[hand]} hand has {has} to place {where}, this player"
                    f" needs {needs}"
                )
                strikes = (*step.before, *step.after)
                found.append(
                    _fault(performance, "jump_too_fast", strikes, hand, text, at=step.after[0])
                )
    return tuple(found)


def check_run_too_fast(performance: Performance) -> tuple[Fault, ...]:
    """Four or more notes of one hand, in more than one placing, above its hardest rate; or a
    placing run through faster than a roll."""
    limits, found = performance.player.limits, []
    most = limits.hand_rate / limits.hard_share
    shortest = limits.hard_share * limits.roll_seconds
    for hand in "LR":
        chords = [c for c in hand_chords(performance, hand) if not c.sweep]
        for run in _fast_runs(performance, chords, most):
            rate = (len(run) - 1) / (run[-1].at - run[0].at)
            digits = 1 if f"{rate:.1f}" != f"{most:.1f}" else 2
            text = (
                f"{len(run)} notes in the {HAND_NAMES[hand]} hand at {rate:.{digits}f} a second,"
                f" this player's most is {most:.{digits}f}"
            )
            strikes = tuple(i for chord in run for i in chord.strikes)
            found.append(_fault(performance, "run_too_fast", strikes, hand, text))
        for step in hand_steps(performance, hand):
            if step.kind == "go on" and step.seconds < shortest - _GRAIN:
                has, needs = _short(step.seconds, shortest)
                text = (
                    f"the {HAND_NAMES[hand]} hand has {has} from note to note, a roll needs"
                    f" {needs}"
                )
                strikes = (*step.before, *step.after)
                found.append(
                    _fault(performance, "run_too_fast", strikes, hand, text, at=step.after[0])
                )
    return tuple(found)


def _fast_runs(
    performance: Performance, chords: list[HandChord], most: float
) -> list[list[HandChord]]:
    """Longest stretches all of whose windows of four strikes go faster than `most` a second,
    windows within one placing (which is a roll) left out."""
    placings = performance.hand_plan.placings
    runs: list[list[HandChord]] = []
    reached = -1
    for first in range(len(chords) - 3):
        last = first + 3
        span = chords[last].at - chords[first].at
        rolled = placings[chords[first].strikes[0]] == placings[chords[last].strikes[0]]
        if rolled or 3 / span <= most * (1 + 1e-6):
            continue
        if first <= reached:
            runs[-1] += chords[reached + 1 : last + 1]
        else:
            runs.append(list(chords[first : last + 1]))
        reached = last
    return runs


def check_chord_too_fast(performance: Performance) -> tuple[Fault, ...]:
    """Chords of three or more in one hand too close together, or a roll that has no time."""
    limits, found = performance.player.limits, []
    need = limits.hard_share * limits.chord_seconds
    for hand in "LR":
        full = [c for c in hand_chords(performance, hand) if len(c.strings) >= 3 and not c.sweep]
        for a, b in pairwise(full):
            if b.at - a.at < need - _GRAIN:
                has, needs = _short(b.at - a.at, need)
                text = (
                    f"the {HAND_NAMES[hand]} hand has {has} between chords of"
                    f" {len(a.strings)} and {len(b.strings)} notes, this player needs {needs}"
                )
                strikes = (*a.strikes, *b.strikes)
                found.append(
                    _fault(performance, "chord_too_fast", strikes, hand, text, at=b.strikes[0])
                )
    return (*found, *_rolls_too_fast(performance))


def _rolls_too_fast(performance: Performance) -> list[Fault]:
    """Rolled chords that last into the next thing struck."""
    limits, found = performance.player.limits, []
    moments = _by_moment(performance)
    for rows, following in pairwise(moments):
        group = tuple(i for members in rows.values() for i in members)
        rolled = [s for s, members in rows.items() if _is_rolled(performance, members)]
        if len(rolled) < 2:
            continue
        at = performance.seconds[group[0]]
        room = performance.seconds[next(iter(following.values()))[0]] - at
        need = limits.hard_share * limits.roll_seconds * len(rolled)
        if room < need - _GRAIN:
            has, needs = _short(room, need)
            text = f"a rolled chord of {len(rolled)} notes has {has}, this player needs {needs}"
            hands = {performance.hand_plan.hands[i] for i in group}
            side = hands.pop() if len(hands) == 1 else "both"
            found.append(_fault(performance, "chord_too_fast", group, side, text))
    return found


def _is_rolled(performance: Performance, members: Iterable[int]) -> bool:
    return any(performance.strikes[i].first.has("arpeggio") for i in members)


def check_one_hand_trill(performance: Performance) -> tuple[Fault, ...]:
    """A trill that one hand has to play, and can't."""
    rate, least = performance.player.limits.trill_rate, constant("trill_notes")
    found = []
    for i, alone in trills(performance):
        if alone and rate < least:
            hand = performance.hand_plan.hands[i]
            able = f"this player manages {rate:g}" if rate else "not to be asked of this player"
            text = (
                f"a trill in the {HAND_NAMES[hand]} hand alone, the other hand is needed"
                f" elsewhere: {least:g} notes a second, {able}"
            )
            found.append(_fault(performance, "one_hand_trill", (i,), hand, text))
    return tuple(found)


def check_bisbigliando(performance: Performance) -> tuple[Fault, ...]:
    """Several notes rustled by one hand alone, quicker than that hand can.

    One or two strokes through the stem are measured; three or more ask for a rustle, which is one
    from `trill_notes` a second on. Two strings are then a trill of one hand; of three and four,
    placed under the fingers, each string comes again after a round. The other hand helps if it
    strikes nothing meanwhile: bisbigliando is for two hands (common practice).
    """
    limits, found = performance.player.limits, []
    least = constant("trill_notes")
    for hand, chord in _chords(performance):
        signs = [
            (i, mark)
            for i in chord.strikes
            for mark in performance.strikes[i].first.marks
            if mark.kind in ("tremolo", "tremolo-start")
        ]
        strings = len(chord.strings)
        if not signs or strings < 2:
            continue
        i, mark = signs[0]
        strike, part = performance.strikes[i], performance.part
        begin, end = performance.seconds[i], chord.busy
        other = hand_chords(performance, "R" if hand == "L" else "L")
        if not any(begin - _GRAIN < c.at < end - _GRAIN and not _rustles(performance, c)
                   for c in other):
            continue
        quarter = part.seconds(strike.onset + TICKS) - part.seconds(strike.onset)
        rate = 2 ** mark.strokes / quarter
        wanted = rate if mark.strokes < 3 else min(rate, least)
        able = min(
            limits.hand_rate / limits.hard_share,
            strings / (limits.hard_share * limits.repeat_seconds),
        )
        if strings == 2 and wanted >= least and limits.trill_rate < least:
            able = limits.trill_rate
        if able < wanted * (1 - 1e-6):
            manages = f"this player manages {able:.1f}"
            if not able:
                manages = "not to be asked of this player"
            text = (
                f"{strings} notes rustled by the {HAND_NAMES[hand]} hand alone, the other hand is"
                f" needed elsewhere: {wanted:.1f} notes a second, {manages}"
            )
            found.append(_fault(performance, "bisbigliando", (j for j, _ in signs), hand, text))
    return tuple(found)


def _rustles(performance: Performance, chord: HandChord) -> bool:
    """Whether a chord is itself a tremolo, so that its hand shares the rustle."""
    kinds = ("tremolo", "tremolo-start", "tremolo-stop")
    return any(performance.strikes[i].first.has(kind) for i in chord.strikes for kind in kinds)


def check_hand_busy(performance: Performance) -> tuple[Fault, ...]:
    """A hand wanted elsewhere while it trills, rustles or sweeps, or at two trills at once."""
    found = []
    for hand in "LR":
        name = HAND_NAMES[hand]
        held: HandChord | None = None
        for chord in hand_chords(performance, hand):
            if held is not None and chord.at < held.busy - _GRAIN:
                if chord.sweep and chord.sweep == held.sweep:
                    continue
                what = "glissando" if held.sweep else "trill or tremolo"
                text = (
                    f"the {name} hand has to leave its {what} on"
                    f" {_name(performance, held, -1)} {_seconds(held.busy - chord.at)} early"
                )
                strikes = (*held.strikes, *chord.strikes)
                found.append(
                    _fault(performance, "hand_busy", strikes, hand, text, at=chord.strikes[0])
                )
            held = chord if chord.busy else None
            if chord.busy and not chord.sweep:
                trilled = {
                    performance.strings[i]
                    for i in chord.strikes
                    if performance.strikes[i].first.has("trill")
                }
                if len(trilled) > 1:
                    text = f"the {name} hand has {len(trilled)} trills at once"
                    found.append(_fault(performance, "hand_busy", chord.strikes, hand, text))
    return tuple(found)


# Both hands


def check_hands_collide(performance: Performance) -> tuple[Fault, ...]:
    """Hands that would have to reach through each other: single notes may cross, chords not."""
    found = []
    lefts = {c.index: c for c in hand_chords(performance, "L")}
    for right in hand_chords(performance, "R"):
        left = lefts.get(right.index)
        if left is None or left.strings[-1] < right.strings[0]:
            continue
        if len(left.strings) == len(right.strings) == 1:
            continue
        text = (
            f"the left hand's {_name(performance, left, -1)} lies above the right hand's"
            f" {_name(performance, right, 0)} in the same chord"
        )
        strikes = (*left.strikes, *right.strikes)
        found.append(_fault(performance, "hands_collide", strikes, "both", text))
    return tuple(found)


ALL_CHECKS: tuple[Check, ...] = (
    check_off_range,
    check_discless,
    check_too_many_notes,
    check_reach,
    check_right_too_low,
    check_hands_collide,
    check_string_clash,
    check_repeat_too_fast,
    check_jump_too_fast,
    check_run_too_fast,
    check_chord_too_fast,
    check_one_hand_trill,
    check_bisbigliando,
    check_hand_busy,
    check_harmonics,
    check_etouffes,
    check_pedal_setting,
    check_pedal_held,
    check_pedal_time,
    check_lever_under_left_hand,
)
"""Every check; each is named after its fault's `rule`."""


# What the checks share


def _model(performance: Performance) -> HandModel:
    return hand_model(performance.player.limits, performance.player.harp)


def _chords(performance: Performance) -> list[tuple[str, HandChord]]:
    return [(hand, chord) for hand in "LR" for chord in hand_chords(performance, hand)]


def _fault(
    performance: Performance, rule: str, strikes: Iterable[int], hand: str, text: str, *,
    at: int | None = None, last: bool = False,
) -> Fault:
    """A fault placed at its first strike, at its last (`last`), or at strike `at`."""
    members = tuple(strikes)
    if at is None:
        at = members[-1] if last else members[0]
    onset = performance.strikes[at].onset
    bar, beat = performance.part.place(onset)
    return Fault(rule, onset, bar, beat, HAND_NAMES.get(hand, hand), text, members)


def _unmet(performance: Performance, kind: str, rule: str) -> tuple[Fault, ...]:
    found = []
    for unmet in performance.pedal_plan.unmet:
        if unmet.kind == kind:
            bar, beat = performance.part.place(unmet.onset)
            found.append(Fault(rule, unmet.onset, bar, beat, "both", unmet.text, unmet.strikes))
    return tuple(found)


def _widest(limits: Limits, chord: HandChord) -> tuple[int, int, int] | None:
    """(strings beyond reach, place of the lower, of the upper) of the worst finger pair."""
    worst: tuple[int, int, int] | None = None
    count = len(chord.strings)
    for low in range(count):
        for high in range(low + 1, count):
            upper, lower = chord.fingers[high], chord.fingers[low]
            if not upper or not lower:
                continue
            gap = chord.strings[high] - chord.strings[low]
            over = gap - limits.pair_reach(upper, lower)
            if over > 0 and (worst is None or over > worst[0]):
                worst = over, low, high
    return worst


def _by_moment(performance: Performance) -> list[dict[int, list[int]]]:
    """For each moment in time order: strikes of each string, low to high; remembered on the
    performance, since several checks ask."""
    memory = vars(performance)
    if "by_moment" not in memory:
        rows: dict[float, dict[int, list[int]]] = {}
        for i, (at, string) in enumerate(
            zip(performance.seconds, performance.strings, strict=True)
        ):
            rows.setdefault(round(at, 6), {}).setdefault(string, []).append(i)
        memory["by_moment"] = [dict(sorted(rows[at].items())) for at in sorted(rows)]
    found: list[dict[int, list[int]]] = memory["by_moment"]
    return found


def _replucks(performance: Performance) -> list[tuple[int, int, int]]:
    """(strike, next strike of the same string, string) in time order, glissandi left out."""
    swept = {i for _, c in _chords(performance) if c.sweep for i in c.strikes}
    last: dict[int, int] = {}
    found = []
    for rows in _by_moment(performance):
        for string, members in rows.items():
            if string in last and not (last[string] in swept or members[0] in swept):
                found.append((last[string], members[0], string))
            last[string] = members[0]
    return found


def _name(performance: Performance, chord: HandChord, place: int) -> str:
    """Name of the note that a hand plays on one of its strings."""
    string = chord.strings[place]
    return next(
        performance.pedal_plan.played[i].name
        for i in chord.strikes
        if performance.strings[i] == string
    )


def _string(number: int) -> str:
    return f"{STEPS[number % 7]}{number // 7}"


def _interval(strings: int) -> str:
    """'an octave', 'a 10th': the interval between strings so far apart."""
    size = strings + 1
    if size == 8:
        return "an octave"
    if size == 15:
        return "two octaves"
    ending = {1: "st", 2: "nd", 3: "rd"}.get(size % 10 if size % 100 // 10 != 1 else 0, "th")
    return f"{'an' if size in (8, 11, 18) else 'a'} {size}{ending}"


def _seconds(value: float) -> str:
    return f"{value:.2f} s"


def _short(has: float, needs: float) -> tuple[str, str]:
    """Both times in words, with a third decimal where two would show them equal."""
    digits = 2 if f"{has:.2f}" != f"{needs:.2f}" else 3
    return f"{has:.{digits}f} s", f"{needs:.{digits}f} s"
