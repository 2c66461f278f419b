"""What ``--help`` of a command shows besides its options: the sentence that says what it does, and lines to copy."""

from __future__ import annotations

import argparse

EXAMPLES: dict[str, tuple[str, ...]] = {
    "demo": ("diagnb demo --out demo",),
    "lab": ("diagnb lab my-workshop",),
    "form": ("diagnb form my-workshop", "diagnb form my-workshop --listen 192.0.2.7 --password-keyring bay"),
    "evaluate": ("diagnb evaluate visit.json", "diagnb evaluate visit.json --json"),
    "check": (
        "diagnb check visit.json",
        "diagnb check visit.pdf --policy fleet.toml",
        "diagnb check reports --csv ready.csv",
    ),
    "trace describe": ("diagnb trace describe crank.csv",),
    "trace show": (
        "diagnb trace show crank.csv --column Supply --feature cranking-minimum --picture crank.svg",
        "diagnb trace show crank.csv --column Supply --feature longest-dip --threshold '9.6 V'",
    ),
    "trace take": (
        "diagnb trace take crank.csv visit.json --column Supply --feature cranking-minimum --test 2 "
        "--reading cranking_voltage --instrument S1",
    ),
    "report": (
        "diagnb report visit.json -o visit.pdf --key keys/r-example.p12",
        "diagnb report --batch records -o reports --key keys/r-example.p12",
    ),
    "countersign": (
        "diagnb countersign visit.pdf --key keys/m-sample.p12",
        "diagnb countersign visit.pdf -o approved.pdf --trust workshop.json --key keys/m-sample.p12",
    ),
    "timestamp": ("diagnb timestamp visit.pdf --url http://127.0.0.1:8080",),
    "verify": (
        "diagnb verify visit.pdf --trust keys/trust.json",
        "diagnb verify reports --trust keys/trust.json --csv verified.csv",
    ),
    "amend": (
        "diagnb amend corrected.json --of visit.pdf --reason 'wrong unit number' -o visit-2.pdf --key keys/r-example.p12",
    ),
    "void": ("diagnb void visit.pdf --reason 'wrong vehicle' -o void.pdf --key keys/r-example.p12",),
    "redact": ("diagnb redact visit.pdf -o copy.pdf --fields personal,vin --key keys/claims-office.p12",),
    "attach": ("diagnb attach visit.json strap.jpg --shows 'corroded eyelet'",),
    "log verify": ("diagnb log verify --report visit.pdf",),
    "log show": ("diagnb log show --record VISIT-1",),
    "log prove": ("diagnb log prove --record VISIT-1",),
    "key init": ("diagnb key init 'Depot North workshop'",),
    "key add": (
        "diagnb key add 'R. Example' --role technician",
        "diagnb key add 'Claims office' --role office",
    ),
    "key rotate": ("diagnb key rotate 'R. Example'",),
    "key trust": ("diagnb key trust other-shop.pem --since 2026-01-01",),
    "key revoke": ("diagnb key revoke 'R. Example' --reason person-left",),
    "procedure list": ("diagnb procedure list",),
    "procedure show": ("diagnb procedure show ground-side-drop",),
    "procedure check": ("diagnb procedure check my-workshop/procedures/ground-side-drop.toml",),
    "meter list": ("diagnb meter list",),
    "meter show": ("diagnb meter show handheld-6000",),
    "meter check": ("diagnb meter check my-workshop/meters/our-meter.toml",),
    "archive add": ("diagnb archive add shop.db visit.pdf --trust keys/trust.json",),
    "archive import": (
        "diagnb archive import shop.db reports",
        "diagnb archive import shop.db old.csv --mapping old.toml",
    ),
    "archive mapping": ("diagnb archive mapping old-records",),
    "archive get": ("diagnb archive get shop.db VISIT-1 -o visit.json",),
    "archive list": ("diagnb archive list shop.db --unit 'Unit 118'",),
    "archive history": ("diagnb archive history shop.db VISIT-1",),
    "archive audit": ("diagnb archive audit shop.db --recompute",),
    "archive export": ("diagnb archive export shop.db out", "diagnb archive export shop.db copy --parquet"),
    "archive grant": ("diagnb archive grant postgresql://owner@db/shop bay_laptop",),
    "impact instrument": (
        "diagnb impact instrument --serial H6-00417 --gain-percent 2 --found 2026-11-20 shop.db --pdf impact.pdf",
    ),
    "impact limit": (
        "diagnb impact limit --procedure ground-side-drop --result ground_drop --upper 0.08 --limit-unit V "
        "--source 'maker, edition 2026' shop.db",
    ),
    "impact rule": ("diagnb impact rule guarded-U shop.db",),
    "impact procedure": ("diagnb impact procedure ground-side-drop.toml shop.db",),
    "impact sheet": ("diagnb impact sheet handheld-6000.toml shop.db",),
    "impact coefficient": ("diagnb impact coefficient --meter handheld-6000 --percent-per-kelvin 10 shop.db",),
}
"""Lines to copy, by command. Every one parses: a test says so."""


_SAID: dict[str, str] = {
    "RECORD.json": "the file of a record",
    "FILE.pdf": "a signed report",
    "FILE.csv": "a file as the recorder wrote it",
    "FILE.toml": "a file of the shop's own",
    "FILE": "a file",
    "PHOTO": "a photo: JPEG, PNG or WebP",
    "SHOP": "the shop's name, as it stands on its trust list",
    "NAME": "name of the person or office, as reports print it",
    "NAME|FINGERPRINT": "printed name, or the first 8 or more digits of the fingerprint",
    "ARCHIVE": "the archive: a file, or postgresql://user@host/name",
    "record": "id of the record",
    "folder": "the folder; made when missing",
    "role": "name of the database role",
    "what": "which schema",
    "--end": "end of the window",
    "--feature": "which feature: see diagnb trace show",
    "--paper": "size of the pages (default A4)",
    "--language": "en, fr, de or es (default en)",
    "--output": "where to write it; nothing else is overwritten",
    "--reason": "why; it is written down",
    "--folder": "work folder whose own files win over the shipped ones",
    "--claim": "only this claim number",
    "--vin": "only this vehicle",
    "--unit": "only this unit number",
    "--serial": "serial number of the instrument",
    "--lower": "the new lower limit",
    "--upper": "the new upper limit",
    "--limit-unit": "unit of the new limit",
    "--procedure": "only this procedure",
    "--result": "only this result of it",
    "--meter": "id of the accuracy sheet",
    "--function": "only this function of it, for example 'dc voltage'",
    "--by": "group the results by this",
    "--clock": "time as age of the vehicle or as the calendar (default age)",
    "--out": "folder to write into; made when missing",
    "--seed": "another number gives another fleet",
}
"""What an argument means where its command does not say it itself: by option, name or placeholder."""


def _say(action: argparse.Action) -> None:
    # A place on the line is known by what stands for it in the usage: RECORD.json is a file, whatever the code calls it.
    names = (f"--{action.dest.replace('_', '-')}",) if action.option_strings else (str(action.metavar), action.dest)
    action.help = action.help or next((_SAID[name] for name in names if name in _SAID), None)


def explain(parser: argparse.ArgumentParser, name: str = "") -> None:
    """Give each command of ``parser`` its sentence and its examples, those of its actions included."""
    for action in parser._actions:
        if not isinstance(action, argparse._SubParsersAction):
            _say(action)
            continue
        said = {choice.dest: choice.help for choice in action._choices_actions}
        for word, child in action.choices.items():
            full = f"{name} {word}".strip()
            sentence = said.get(word) or ""
            child.description = child.description or f"{sentence[:1].upper()}{sentence[1:]}."
            lines = EXAMPLES.get(full, ())
            if lines:
                child.epilog = "examples:\n" + "\n".join(f"  {line}" for line in lines)
                child.formatter_class = argparse.RawDescriptionHelpFormatter
            explain(child, full)
