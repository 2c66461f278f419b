"""What may be added to a signed report: signatures in fields that were there, validation data. No more.

pyHanko compares revisions by a white list; this file tightens that list (no form filling, no new
appearance of old objects, no change of document information) and adds the one path it does not know: in a
tagged file the signature field is also reached through the structure tree (ISO 32000-2, 14.7.5.3).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any


@cache
def change_policy() -> Any:
    """The policy for `EmbeddedPdfSignature.evaluate_modifications`; made once, it keeps no state."""
    from pyhanko.sign.diff_analysis import (
        CatalogModificationRule,
        DSSCompareRule,
        FormUpdate,
        FormUpdatingRule,
        ModificationLevel,
        ObjectStreamRule,
        SigFieldCreationRule,
        SigFieldModificationRule,
        StandardDiffPolicy,
        SuspiciousModification,
        XrefStreamRule,
    )
    from pyhanko.sign.diff_analysis.rules_api import Context

    class TaggedSignatureRule(SigFieldModificationRule):
        """Also clears the paths `/StructTreeRoot /K … /Obj` of a field whose update was found good."""

        def check_form_field(self, fq_name: str, spec: Any, context: Any) -> Iterator[tuple[Any, Any]]:
            old_ref = spec.old_field_ref
            cleared = False
            for level, update in super().check_form_field(fq_name, spec, context):
                yield level, update
                cleared = cleared or update.updated_ref == old_ref
            if not cleared or old_ref is None or old_ref != spec.new_field_ref:
                return
            tree = ("/Root", "/StructTreeRoot", "/K")
            for path in context.old._get_usages_of_ref(old_ref):
                if tuple(path.path[:3]) == tree and path.path[-1] == "/Obj":
                    yield (
                        ModificationLevel.LTA_UPDATES,
                        FormUpdate(
                            updated_ref=old_ref,
                            field_name=fq_name,
                            valid_when_locked=True,
                            context_checked=Context.from_absolute(context.old, path),
                        ),
                    )

    class StrictFormRule(FormUpdatingRule):
        """The form's default resources are page content for some readers: they never change."""

        def apply(self, old: Any, new: Any) -> Iterator[tuple[Any, Any]]:
            before, after = (r.root["/AcroForm"] for r in (old, new))
            if ("/DR" in before) != ("/DR" in after):
                raise SuspiciousModification("the form's default resources came or went")
            if "/DR" in after:
                value = after.raw_get("/DR")
                reference = getattr(value, "reference", None)
                if value != before.raw_get("/DR") or reference in new.explicit_refs_in_revision():
                    raise SuspiciousModification("the form's default resources were changed")
            yield from super().apply(old, new)

    lasting = ModificationLevel.LTA_UPDATES
    return StandardDiffPolicy(
        global_rules=[
            CatalogModificationRule(ignored_keys=frozenset({"/AcroForm", "/DSS", "/Extensions"})),  # type: ignore[no-untyped-call]
            XrefStreamRule().as_qualified(lasting),
            ObjectStreamRule().as_qualified(lasting),
            DSSCompareRule().as_qualified(lasting),
        ],
        form_rule=StrictFormRule(
            field_rules=[
                SigFieldCreationRule(),  # type: ignore[no-untyped-call]
                TaggedSignatureRule(
                    allow_in_place_appearance_stream_changes=False,
                    always_modifiable=frozenset({"/Type"}),
                    value_update_keys=frozenset({"/Type", "/V", "/AP"}),
                ),
            ],
            ignored_acroform_keys=frozenset({"/Fields", "/DR"}),
        ),
        ignore_orphaned_objects=False,
        ignore_identical_objects=False,
    )


class Steps:
    """What each revision of one file adds to the one before it, judged once for all signatures.

    Every step has to be permitted by itself; that is at least as strict as comparing a signed revision with each later
    one, and a file with many signatures and time stamps is compared once for each revision, not once for each pair.
    """

    def __init__(self, reader: Any) -> None:
        self._reader = reader
        self._levels: dict[int, int | None] = {}

    def level(self, revision: int) -> int | None:
        """pyHanko's level of modification of one step; None for a step that nothing permits."""
        if revision not in self._levels:
            self._levels[revision] = self._judged(revision)
        return self._levels[revision]

    def _judged(self, revision: int) -> int | None:
        from pyhanko.sign.diff_analysis import ModificationLevel, SuspiciousModification
        from pyhanko.sign.fields import MDPPerm

        reader = self._reader
        if not reader.xrefs.explicit_refs_in_revision(revision):
            return None  # an update that defines nothing only makes room for bytes nobody looks at
        if _adds_only_a_signature(reader, revision):
            return int(ModificationLevel.FORM_FILLING.value)
        old, new = (reader.get_historical_resolver(number) for number in (revision - 1, revision))
        try:
            result = change_policy().apply(old, new, doc_mdp=MDPPerm.FILL_FORMS)
        except SuspiciousModification:
            return None
        return int(result.modification_level.value)


def permitted_since(embedded: Any, steps: Steps, *, last: bool) -> bool:
    """Whether every revision after this signature holds only what may be added to a signed report.

    After the last signature (`last`) that is validation data and time stamps alone.
    """
    from pyhanko.sign.diff_analysis import DiffResult, ModificationLevel

    added = range(embedded.signed_revision + 1, embedded.reader.xrefs.total_revisions)
    if last and not all(_adds_validation_data(embedded.reader, revision) for revision in added):
        return False
    permission = embedded.docmdp_level
    may_sign = permission is None or permission.value >= ModificationLevel.FORM_FILLING.value
    allowed = ModificationLevel.LTA_UPDATES if last or not may_sign else ModificationLevel.FORM_FILLING
    levels = [steps.level(revision) for revision in added]
    if any(level is None or level > allowed.value for level in levels):
        return False
    if embedded.fieldmdp is None:
        return True
    result = embedded.evaluate_modifications(change_policy())
    return isinstance(result, DiffResult) and bool(result.modification_level <= allowed)


def _adds_only_a_signature(reader: Any, revision: int) -> bool:
    """Whether a revision does nothing but put a new signature value into a field that was empty.

    The common case, decided from the few objects that the revision writes. The white list above agrees,
    but has to read the whole file for it (some 90 ms for a tagged report, against 1 ms).
    """
    from pyhanko.pdf_utils.generic import DictionaryObject, StreamObject
    from pyhanko.sign.diff_analysis import SuspiciousModification
    from pyhanko.sign.diff_analysis.commons import compare_dicts

    old, new = (reader.get_historical_resolver(number) for number in (revision - 1, revision))
    xrefs = reader.xrefs
    if xrefs.refs_freed_in_revision(revision) or xrefs.object_streams_used_in(revision):
        return False
    if old.root_ref != new.root_ref or _info(old) != _info(new):
        return False
    written = set(xrefs.explicit_refs_in_revision(revision))
    table = xrefs.get_xref_container_info(revision).stream_ref
    if table is not None and old.is_ref_unassignable(table):
        written.discard(table)
    signed = False
    try:
        if new.root_ref in written:
            compare_dicts(old.root, new.root, frozenset({"/Extensions"}))
            written.discard(new.root_ref)
        fields = old.root["/AcroForm"]["/Fields"]
        for number in range(len(fields)):
            ref = fields.raw_get(number).reference
            if ref not in written:
                continue
            before, after = old(ref), new(ref)
            if before["/FT"] != "/Sig" or "/V" in before or after.raw_get("/Type") != before.raw_get("/Type"):
                return False
            compare_dicts(before, after, frozenset({"/V"}))
            value_ref = after.raw_get("/V").reference
            value = new(value_ref)
            if not isinstance(value, DictionaryObject) or isinstance(value, StreamObject):
                return False
            if value_ref not in written or not old.is_ref_unassignable(value_ref):
                return False
            written -= {ref, value_ref}
            signed = True
    except (SuspiciousModification, KeyError, AttributeError, TypeError):
        return False
    return signed and not written


def _adds_validation_data(reader: Any, revision: int) -> bool:
    old, new = (reader.get_historical_resolver(number).root for number in (revision - 1, revision))
    if "/DSS" not in new:
        return False
    store = new.raw_get("/DSS")
    written = reader.xrefs.explicit_refs_in_revision(revision)
    return "/DSS" not in old or store != old.raw_get("/DSS") or getattr(store, "reference", None) in written


def _info(resolver: Any) -> Any:
    trailer = resolver.trailer_view
    return trailer.raw_get("/Info") if "/Info" in trailer else None
