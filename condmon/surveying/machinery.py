"""From what was heard to machines with signals: guesses made, told apart and named. Pure."""

import keyword
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from condmon.surveying import behaviour, words
from condmon.surveying.guess import Guess, guess
from condmon.surveying.heard import Heard, Source
from condmon.surveying.machines import GENERIC, homes
from condmon.surveying.rolewords import CHECK, LIKELY
from condmon.surveying.track import Track
from condmon.surveying.words import word_set

SHARED_ROLES = frozenset({"room_temperature", "air_pressure", "compressor_running", "energy"})
"""Of these one sensor can serve several machines."""
PLURAL_ROLES = word_set(
    "bearing_temperature axis_position axis_load axis_following_error axis_trace "
    "vibration_velocity probe_offset compressor_running energy pump_running"
)
GENERIC_KEYS = word_set("v val value values data payload reading state status msg")
NAME_LETTERS = 48
_AIR = frozenset({"air", "shop", "hall", "net", "plant"})
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]")


@dataclass(slots=True)
class Found:
    """What a survey found.

    Attributes
    ----------
    machines : dict[str, list[Guess]]
        By id, in order of the ids; each signal has a name of its own there.
    why, stood : dict[str, str]
        By machine: why its topics are one machine, and in what way it did nothing.
    unread : list[str]
        What could not be guessed, in words, with the topic.
    """

    machines: dict[str, list[Guess]] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)
    stood: dict[str, str] = field(default_factory=dict)
    unread: list[str] = field(default_factory=list)


def found(heard: Heard) -> Found:
    """Make what is proposed of everything that was heard."""
    out = Found(unread=list(_unread(heard)))
    fit: dict[Source, Track] = {}
    forms = _forms(heard)
    for source, track in heard.tracks.items():
        if source.form not in {"sparkplug", forms[source.topic]}:
            out.unread.append(f"{source.topic}: {track.messages} messages as {source.form}, though "
                              f"most come as {forms[source.topic]}")  # fmt: skip
            continue
        why = unfit(source, track) or (
            "only empty values came" if track.nothing == track.messages else ""
        )
        if why:
            out.unread.append(f"{_shown(source)}: {why}")
        else:
            fit[source] = track
    for key, guesses in _by_machine(fit, out).items():
        _name(guesses)
        guesses.sort(key=lambda made: _natural(made.name))
        behaviour.look(guesses)
        for made in guesses:
            _placed(made)
        _tell_apart(guesses)
        if still := behaviour.stood(guesses):
            out.stood[key] = still
        out.machines[key] = guesses
    return out


def _forms(heard: Heard) -> dict[str, str]:
    """Give the form in which most messages of each topic came."""
    most: dict[str, tuple[int, str]] = {}
    for source, track in heard.tracks.items():
        most[source.topic] = max(most.get(source.topic, (0, "")), (track.messages, source.form))
    return {topic: form for topic, (_, form) in most.items()}


def _by_machine(fit: dict[Source, Track], out: Found) -> dict[str, list[Guess]]:
    places = homes(_whole(source) for source in fit)
    machines: dict[str, list[Guess]] = defaultdict(list)
    shared: list[tuple[Source, Track, tuple[str, ...]]] = []
    for source, track in fit.items():
        home = places[_whole(source)]
        out.why.setdefault(home.machine, home.why)
        if home.machine:
            machines[home.machine].append(guess(source, track, home.machine, home.rest))
        else:
            shared.append((source, track, home.rest))
    ids = sorted(machines, key=_natural) or ["machine-1"]
    for source, track, rest in shared:
        made = guess(source, track, ids[0], rest)
        everywhere = made.role in SHARED_ROLES and made.level >= LIKELY
        for key in ids if everywhere else ids[:1]:
            mine = guess(source, track, key, rest)
            if len(ids) > 1:
                mine.notes.append("no machine's name is in the topic: it is listed with every "
                                  "machine" if everywhere else "no machine's name is in the topic: "
                                  "please check whether it belongs here")  # fmt: skip
            machines[key].append(mine)
    return {key: machines[key] for key in ids}


def _whole(source: Source) -> str:
    """Topic and place in it as one name of levels, for words and machines."""
    place = source.place
    levels = [source.topic]
    if source.metric:
        levels.append(source.metric)
    if place.where:
        levels.append(place.where[1])
    if place.value:
        keys = [key for key in place.value.split("/") if key]
        levels += [key for key in keys if key.lower() not in GENERIC_KEYS]
    return "/".join(levels)


def unfit(source: Source, track: Track) -> str:
    """Say why a source cannot stand in a configuration, or nothing."""
    place = source.place
    beside = [text for pair in track.beside for text in pair if text]
    texts = [source.topic, source.metric, place.value, place.each,
             *(place.where or ()), *beside]  # fmt: skip
    for text in texts:
        if text and (text != text.strip() or _CONTROL.search(text) or not text.strip()):
            return "its name has a blank at an end or a control character; rename it at its source"
        if text and len(text) > (400 if text is source.metric else 500):
            return "its name is longer than a configuration takes"
    if source.form != "sparkplug" and set(source.topic) & {"+", "#"}:
        return "a topic with + or # is none that a message can come under"
    if source.form == "sparkplug" and not re.fullmatch(r"[^/+#]+/[^/+#]+(/[^/+#]+)?", source.topic):
        return "its Sparkplug address is not group/node or group/node/device"
    if place.where is not None and (not place.where[1] or len(place.where[1]) > 200):
        return "its name in the array is empty or too long"
    return ""


def _shown(source: Source) -> str:
    where = source.metric or (source.place.value or "")
    return f"{source.topic} {where}".strip()


def _unread(heard: Heard) -> Iterable[str]:
    read = {source.topic for source in heard.tracks}
    for name, topic in heard.topics.items():
        if topic.unreadable:
            sizes = ", ".join(map(str, sorted(topic.lengths))) or "too many"
            yield (f"{name}: raw bytes ({sizes} of them) that are neither text nor JSON; if you "
                   'know how the number lies in them, write binary = "float32 big" or the '
                   "like")  # fmt: skip
        if topic.listless:
            yield (f"{name}: arrays without the time between their values; name it by hand with "
                   'value, dt and kind = "trace"')  # fmt: skip
        if topic.messages == topic.empty:
            yield f"{name}: only empty messages came"
        elif name not in read and not (topic.unreadable or topic.listless):
            yield f"{name}: nothing in it reads as a value, or it lies too deep"
    for device, number in heard.unborn.items():
        yield (f"{device}: {number} values of this Sparkplug device that no birth message "
               "explains; restart the device, or ask it for a birth, while the survey "
               "listens")  # fmt: skip
    if heard.left_out:
        yield f"{len(heard.left_out)} further topics, for want of room; name fewer with --topic"


def _natural(key: str) -> tuple[object, ...]:
    return tuple((part.isdecimal(), int(part) if part.isdecimal() else 0, part)
                 for part in re.split(r"(\d+)", key))  # fmt: skip


def _name(guesses: list[Guess]) -> None:
    """Give every signal a name of its own: the words of its topic."""
    taken: set[str] = set()
    for made in guesses:
        plain = [word for word in made.words if word.isascii() and word.isalnum()]
        told = [word for word in plain if word not in GENERIC] or plain
        name = "_".join(told)[:NAME_LETTERS].strip("_") or "signal"
        if not name[0].isalpha():
            name = f"signal_{name}"[:NAME_LETTERS]
        if keyword.iskeyword(name) or name == "duty":
            name += "_signal"
        number, first = 2, name
        while name in taken:
            name = f"{first[: NAME_LETTERS - 6].rstrip('_')}_{number}"
            number += 1
        taken.add(name)
        made.name = name


def _placed(made: Guess) -> None:
    """Find what tells a signal from its siblings."""
    if made.role == "compressor_running":
        seen = {word.casefold() for word in made.track.words}
        if (
            _AIR & set(made.words) or seen & {"loaded", "unloaded"}
        ) and "chiller" not in made.words:
            made.place = "air"
            made.reasons.append("a compressor of the air net, so place is air")
        return
    at = [words.canonical(word) for word in made.words if words.canonical(word) in words.PLACES]
    if at and made.role in PLURAL_ROLES:
        made.place = "-".join(at)
    if made.axis and not (made.role or "axis").startswith("axis"):
        made.axis = None


def _tell_apart(guesses: list[Guess]) -> None:
    """Of several that play one role in one place the best keeps it, unless words part them."""
    groups: dict[tuple[object, ...], list[Guess]] = defaultdict(list)
    for made in guesses:
        if made.role:
            groups[made.role, made.axis, made.place].append(made)
    for group in groups.values():
        active = [made for made in group if made.level >= LIKELY]
        if len(active) < 2:
            continue
        if active[0].role in PLURAL_ROLES and _parted(active):
            continue
        active.sort(key=lambda made: (-made.level, -made.score, len(made.words)))
        best, *others = active
        for made in others:
            made.level = CHECK
            made.reasons.append(f'but "{best.name}" seems to be the one')
        tied = others and (others[0].score == best.score)
        if tied and len(others[0].words) == len(best.words):
            best.level = min(best.level, LIKELY)
            best.reasons.append(f'"{others[0].name}" may be it as well')


def _parted(group: list[Guess]) -> bool:
    """Give each of a group a place made of its own words; whether every one has some."""
    shared = set.intersection(*(set(made.words) for made in group))
    own = ["-".join(word for word in made.words if word not in shared) for made in group]
    if len(set(own)) < len(own) or not all(own):
        return False
    for made, place in zip(group, own, strict=True):
        made.place = place[:NAME_LETTERS]
    return True
