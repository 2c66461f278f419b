"""Every sentence of the report for people, by language, from data a shop may copy and edit.

A wording file is TOML: sections of `name = "sentence with {placeholders}"`. English is complete by definition;
another language has exactly its keys and placeholders, or every difference is a fault.
"""

from __future__ import annotations

import re
import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from pathlib import Path

from diagnb.errors import Fault, InputFault, fault
from diagnb.shipped import templates_directory

LANGUAGES = ("en", "fr", "de", "es")
VERDICTS = ("pass", "conditional pass", "conditional fail", "fail", "not judged")
MARKS: Mapping[str, str] = {
    "pass": "✓",
    "conditional pass": "(✓)",
    "conditional fail": "(✗)",
    "fail": "✗",
    "not judged": "?",
}
_MOST_BYTES = 1_000_000


@dataclass(frozen=True)
class Wording:
    """The sentences of one language. `say` fills them, `number` writes numbers as its readers do."""

    language: str
    sentences: Mapping[str, str]

    def say(self, key: str, **values: object) -> str:
        """The sentence `key` with its placeholders filled. KeyError when there is no such sentence."""
        sentence = self.sentences[key]
        return sentence.format(**values) if values else sentence

    def has(self, key: str) -> bool:
        return key in self.sentences

    def reason(self, code: str) -> str:
        """The sentence for a reason code; a code without a sentence is shown as it is."""
        return self.sentences.get(f"reason.{code}", code)

    def verdict(self, verdict: str) -> str:
        """Mark and word of a verdict: never the mark or a colour alone."""
        return f"{MARKS[verdict]} {self.sentences['verdict.' + verdict.replace(' ', '-')]}"

    def number(self, text: str) -> str:
        """A decimal number in the reader's format: a comma where the language has one, a true minus."""
        if self.sentences["format.decimal"] != ".":
            text = text.replace(".", self.sentences["format.decimal"])
        return "−" + text[1:] if text.startswith("-") else text

    def grouped(self, text: str) -> str:
        """As `number`, with a gap between the thousands of a number of five or more digits before its decimals."""
        whole, point, rest = text.partition(".")
        digits = whole.lstrip("+-")
        sign = "−" if whole.startswith("-") else ""
        if not digits.isdigit() or len(digits) < 5:
            return self.number(text)
        gap = self.sentences["format.thousands"]
        return sign + f"{int(digits):,}".replace(",", gap) + (self.sentences["format.decimal"] + rest if point else "")

    def day(self, moment: date) -> str:
        return moment.strftime(self.sentences["format.date"])

    def moment(self, moment: datetime) -> str:
        """Date, time to the second, and offset from UTC."""
        offset = moment.strftime("%z")
        zone = f"UTC{offset[:3].replace('-', '−')}:{offset[3:5]}" if offset else ""
        return f"{self.day(moment)} {moment.strftime('%H:%M:%S')} {zone}".strip()

    def minute(self, moment: datetime) -> str:
        """Date and time to the minute with the offset from UTC, for tables."""
        offset = moment.strftime("%z")
        return f"{self.day(moment)} {moment.strftime('%H:%M')} {offset[:3].replace('-', '−')}:{offset[3:5]}"

    def signer(self, *, name: str, role: str, moment: datetime, meaning: str) -> tuple[str, ...]:
        """What the box of a signature shows: who, as what, when, and what the signature means."""
        lines = (name, role, self.moment(moment), f"{self.say('label.meaning')}: {meaning}")
        return tuple(line for line in lines if line)

    def listing(self, items: list[str]) -> str:
        return ", ".join(items)


@cache
def load_wording(language: str = "en", folder: Path | None = None) -> Wording:
    """The wording of `language` from `folder`, by default the shipped one. InputFault lists all faults."""
    place = folder or templates_directory() / "report"
    if not re.fullmatch(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})?", language) or not (place / f"{language}.toml").is_file():
        known = ", ".join(sorted(p.stem for p in place.glob("*.toml")))
        raise fault("language", f"there is no wording for {language!r}", f"use one of: {known}")
    sentences = parse_wording((place / f"{language}.toml").read_bytes(), where=f"{language}.toml")
    model = sentences
    if language != "en":
        english = templates_directory() / "report" / "en.toml"
        model = parse_wording(english.read_bytes(), where="en.toml")
    faults = compare_wording(sentences, model, where=f"{language}.toml")
    if faults:
        raise InputFault(faults)
    return Wording(language, sentences)


def parse_wording(data: bytes, *, where: str) -> dict[str, str]:
    """Flat `section.name` → sentence. InputFault when it is not a TOML file of sections of sentences."""
    if len(data) > _MOST_BYTES:
        raise fault(where, "is larger than a wording file can be")
    try:
        document = tomllib.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise fault(where, f"can't be read as TOML: {error}") from error
    faults = []
    sentences: dict[str, str] = {}
    for section, entries in document.items():
        if not isinstance(entries, dict):
            faults.append(Fault(f"{where}: {section}", "stands outside a section", "move it under a [section]"))
            continue
        for name, sentence in entries.items():
            if isinstance(sentence, str):
                sentences[f"{section}.{name}"] = sentence
            else:
                faults.append(Fault(f"{where}: {section}.{name}", "is not a sentence", "put it in quotes"))
    if faults:
        raise InputFault(faults)
    return sentences


def compare_wording(sentences: Mapping[str, str], model: Mapping[str, str], *, where: str) -> list[Fault]:
    """All keys and placeholders in which `sentences` differs from `model`."""
    faults = [
        Fault(f"{where}: {key}", "is missing", "translate the English sentence")
        for key in sorted(set(model) - set(sentences))
    ]
    faults += [
        Fault(f"{where}: {key}", "is not a sentence of the report", "remove it or mend its name")
        for key in sorted(set(sentences) - set(model))
    ]
    for key in sorted(set(model) & set(sentences)):
        if placeholders(sentences[key]) != placeholders(model[key]):
            wanted = ", ".join(sorted(placeholders(model[key]))) or "none"
            faults.append(Fault(f"{where}: {key}", "has other placeholders", f"it needs exactly: {wanted}"))
    return faults


def placeholders(sentence: str) -> frozenset[str]:
    """Names in braces; a sentence with broken or nested braces has the placeholder '?'."""
    try:
        parts = list(string.Formatter().parse(sentence))
    except ValueError:
        return frozenset("?")
    names = {name for _, name, _, _ in parts if name is not None}
    plain = all(name.isidentifier() for name in names) and not any(spec or conv for _, _, spec, conv in parts)
    return frozenset(names) if plain else frozenset("?")
