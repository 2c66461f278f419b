"""Sources of uncertainty in the reader's language, where their names follow a fixed pattern."""

from __future__ import annotations

import re

from diagnb.report.wording import Wording

_TEST = re.compile(r"test (?P<test>[^,]{1,80}), (?P<rest>.+)", re.DOTALL)
_AT = re.compile(r"(?P<kind>gain|offset) at (?P<what>.+)", re.DOTALL)
_KINDS = frozenset(
    {
        "accuracy", "repeats", "given", "offset", "gain", "quantisation", "calibration", "drift", "temperature",
        "intercept", "slope", "input resistance", "source resistance", "circuit resistance", "burden",
    }
)  # fmt: skip
_ASSUMED = {
    "whole limit as one rectangle": "whole-limit",
    "taken as independent": "independent",
    "taken as fully common": "common",
    "the larger of common and independent, test by test": "mixed",
}


def source_in_words(wording: Wording, source: str) -> str:
    """ "test 2, source voltage: repeats" and its like; whatever else a source is called stays as it is."""
    name, colon, kind = source.rpartition(": ")
    if not colon:
        if source.startswith("table "):
            return wording.say("source.table", name=source.removeprefix("table "))
        return _of_test(wording, source)
    at = _AT.fullmatch(kind)
    if at is not None:
        kind = wording.say(f"source.{at['kind']}-at", what=_of_test(wording, at["what"]))
    elif kind in _KINDS:
        kind = wording.say(f"source.{kind.replace(' ', '-')}")
    return wording.say("source.of", name=_of_test(wording, name), kind=kind)


def assumption_in_words(wording: Wording, assumption: str) -> str:
    """What was assumed about a source, in words."""
    return wording.say(f"source.{_ASSUMED[assumption]}") if assumption in _ASSUMED else assumption


def _of_test(wording: Wording, name: str) -> str:
    found = _TEST.fullmatch(name)
    return f"{wording.say('label.test-short')} {found['test']}, {found['rest']}" if found else name
