"""The Merkle tree against the published test vectors of Certificate Transparency, and its own proofs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnb.audit import (
    Head,
    Tree,
    consistency_path,
    head_of,
    inclusion_path,
    leaf_hash,
    read_head,
    verify_consistency,
    verify_inclusion,
)
from diagnb.errors import InputFault

# Inputs and roots of the reference Merkle tree test of the Certificate Transparency project (RFC 6962).
INPUTS = [
    bytes.fromhex(text)
    for text in (
        "", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f",
    )
]  # fmt: skip
ROOTS = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
LEAVES = [leaf_hash(data) for data in INPUTS]

# Paths published with the same test: (leaf, tree size, path), leaf counted from 1.
PATHS = [
    (1, 8, ["96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"]),
    (6, 8, ["bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"]),
    (3, 3, ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"]),
    (2, 5, ["6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"]),
]  # fmt: skip

# Consistency proofs published with the same test: (old size, new size, path).
CONSISTENT = [
    (1, 1, []),
    (1, 8, ["96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"]),
    (6, 8, ["0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"]),
    (2, 5, ["5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"]),
]  # fmt: skip


def test_published_roots() -> None:
    assert str(head_of([])) == "0:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    for size, root in enumerate(ROOTS, 1):
        assert head_of(LEAVES[:size]).root.hex() == root


@pytest.mark.parametrize(("leaf", "size", "path"), PATHS)
def test_published_inclusion_paths(leaf: int, size: int, path: list[str]) -> None:
    found = inclusion_path(LEAVES[:size], leaf - 1)
    assert [step.hex() for step in found] == path
    head = head_of(LEAVES[:size])
    assert verify_inclusion(LEAVES[leaf - 1], index=leaf - 1, path=found, head=head)


@pytest.mark.parametrize(("old", "new", "path"), CONSISTENT)
def test_published_consistency_paths(old: int, new: int, path: list[str]) -> None:
    found = consistency_path(LEAVES[:new], old)
    assert [step.hex() for step in found] == path
    assert verify_consistency(head_of(LEAVES[:old]), head_of(LEAVES[:new]), found)


def leaves(count: int) -> list[bytes]:
    return [leaf_hash(str(i).encode()) for i in range(count)]


@pytest.mark.parametrize("size", [1, 2, 3, 4, 5, 7, 8, 9, 15, 16, 17, 31, 33])
def test_every_proof_of_every_size_holds_and_holds_for_nothing_else(size: int) -> None:
    every = leaves(size)
    head = head_of(every)
    for index in range(size):
        path = inclusion_path(every, index)
        assert verify_inclusion(every[index], index=index, path=path, head=head)
        for other in range(size):
            if other != index:
                assert not verify_inclusion(every[index], index=other, path=path, head=head)
        assert not verify_inclusion(leaf_hash(b"other"), index=index, path=path, head=head)
        assert not verify_inclusion(every[index], index=index, path=(*path, bytes(32)), head=head)
        if path:
            assert not verify_inclusion(every[index], index=index, path=path[:-1], head=head)
    for old in range(1, size + 1):
        path = consistency_path(every, old)
        assert verify_consistency(head_of(every[:old]), head, path)
        if old < size:
            assert not verify_consistency(Head(old, head.root), head, path)
            assert not verify_consistency(head_of(every[:old]), head, path[:-1])


@given(st.integers(1, 200), st.data())
def test_a_changed_past_has_no_consistency_proof(size: int, data: st.DataObject) -> None:
    every = leaves(size)
    old = data.draw(st.integers(1, size))
    changed = data.draw(st.integers(0, old - 1))
    forged = [*every[:changed], leaf_hash(b"rewritten"), *every[changed + 1 :]]
    assert not verify_consistency(head_of(every[:old]), head_of(forged), consistency_path(forged, old))


@given(st.integers(0, 300))
def test_growing_gives_the_same_head_as_building(size: int) -> None:
    tree = Tree()
    for leaf in leaves(size):
        tree.add(leaf)
    assert tree.head() == head_of(leaves(size))
    assert read_head(str(tree.head())) == tree.head()


@pytest.mark.parametrize(
    "text", ["", "5", "-1:" + "a" * 64, "1:" + "A" * 64, "1:" + "a" * 63, "01:" + "a" * 64, "0:" + "a" * 64]
)
def test_what_is_no_head_is_refused(text: str) -> None:
    with pytest.raises(InputFault):
        read_head(text)
