"""Every kind of fault that a scenario may schedule is put to a test somewhere."""

from __future__ import annotations

from pathlib import Path

from framesim.faults import CATALOGUE

TESTS = Path(__file__).parents[1]


def test_every_kind_of_fault_is_put_to_a_test() -> None:
    """Parts of the frame: in the simulator's own tests. What breaks around it: there or on the bench of faults."""
    own = "".join(p.read_text(encoding="utf-8") for p in (TESTS / "sim").glob("*.py"))
    bench = own + "".join(
        p.read_text(encoding="utf-8") for kind in ("*.py", "*.toml") for p in (TESTS / "faults").rglob(kind)
    )
    around = ("link", "broker", "clock", "board", "memory", "flash", "message")
    for part, kinds in CATALOGUE.items():
        for kind in kinds:
            assert f'"{kind}"' in (bench if part in around else own), (part, kind)
