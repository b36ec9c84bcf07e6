"""SenML packs resolve as RFC 8428 says.

Source of the vectors: RFC 8428 (2018), sections 5.1.1 to 5.1.6, and the working group's files beside
it; V7 to V10 are our own. Rules SML-1 to SML-7 are our numbering of the RFC's requirements.
"""

from __future__ import annotations

from typing import Any

import pytest

from sashkeeper.wire.senml import Record, SenmlFault, resolve

N = 1_800_000_000.0
D = "urn:dev:ow:10e2073a01080063"


def short(found: list[Record]) -> list[tuple[Any, ...]]:
    return [(r.name, r.unit, r.time_s, r.value) for r in found]


def test_v1_rfc_8428_5_1_1_single_datapoint() -> None:
    """One record without time is of now."""
    assert short(resolve([{"n": D, "u": "Cel", "v": 23.1}], N)) == [(D, "Cel", N, 23.1)]


def test_v2_rfc_8428_5_1_2_multiple_datapoints() -> None:
    """The base name is put before each name."""
    pack = [{"bn": D + ":", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}]
    assert short(resolve(pack, N)) == [(D + ":voltage", "V", N, 120.1), (D + ":current", "A", N, 1.2)]


def test_v3_rfc_8428_5_1_2_base_time_unit_version() -> None:
    """Base time is added, base unit stands in, the version is kept, and the result is in time order."""
    base = "urn:dev:ow:10e2073a0108006:"
    bt = 1276020076.001
    pack: list[dict[str, Any]] = [
        {"bn": base, "bt": bt, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
        {"n": "current", "t": -3, "v": 1.4},
        {"n": "current", "t": -2, "v": 1.5},
        {"n": "current", "t": -1, "v": 1.6},
        {"n": "current", "v": 1.7},
    ]
    found = resolve(pack, N)
    want = {(base + "current", "A", round(bt - 5 + i, 3), 1.2 + i / 10) for i in range(6)}
    want |= {(base + "voltage", "V", bt, 120.1)}
    assert {(n, u, round(t, 3), round(float(v), 6)) for n, u, t, v in short(found)} == {
        (n, u, t, round(v, 6)) for n, u, t, v in want
    }
    assert [r.time_s for r in found] == sorted(r.time_s for r in found)
    assert {r.version for r in found} == {5}


def test_v4_rfc_8428_5_1_3_humidity_and_places() -> None:
    """Thirteen records of four units, the base unit only where none is given."""
    at = 1320067464
    pack: list[dict[str, Any]] = [
        {"bn": D, "bt": at, "bu": "%RH", "v": 20}, {"u": "lon", "v": 24.30621}, {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3}, {"u": "lon", "t": 60, "v": 24.30622}, {"u": "lat", "t": 60, "v": 60.07965},
        {"t": 120, "v": 20.7}, {"u": "lon", "t": 120, "v": 24.30623}, {"u": "lat", "t": 120, "v": 60.07966},
        {"u": "%EL", "t": 150, "v": 98}, {"t": 180, "v": 21.2}, {"u": "lon", "t": 180, "v": 24.30628},
        {"u": "lat", "t": 180, "v": 60.07967},
    ]  # fmt: skip
    found = resolve(pack, N)
    assert len(found) == 13
    assert {r.name for r in found} == {D}
    humidity = [(r.time_s, r.value) for r in found if r.unit == "%RH"]
    assert humidity == [(at, 20), (at + 60, 20.3), (at + 120, 20.7), (at + 180, 21.2)]
    assert [(r.time_s, r.value) for r in found if r.unit == "%EL"] == [(1320067614, 98)]
    assert [r.value for r in found if r.unit == "lon"] == [24.30621, 24.30622, 24.30623, 24.30628]
    assert [r.value for r in found if r.unit == "lat"] == [60.07965, 60.07965, 60.07966, 60.07967]


def test_v5_rfc_8428_5_1_6_two_base_names() -> None:
    """A base name holds until the next one."""
    at = 1320078429
    pack = [
        {"bn": "2001:db8::2/", "bt": at, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]
    assert short(resolve(pack, N)) == [
        ("2001:db8::2/temperature", "Cel", at, 25.2),
        ("2001:db8::2/humidity", "%RH", at, 30),
        ("2001:db8::1/temperature", "Cel", at, 12.3),
        ("2001:db8::1/humidity", "%RH", at, 67),
    ]


def test_v6_rfc_8428_5_1_5_other_kinds_of_value() -> None:
    """Text, true or false, and bytes are values too."""
    pack = [
        {"bn": D + ":", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfv-reader", "vd": "aGkgCg"},
    ]
    assert [(r.value, r.time_s) for r in resolve(pack, N)] == [
        (23.1, N),
        ("Machine Room", N),
        (False, N),
        (b"hi \n", N),
    ]


def test_v7_ours_relative_and_absolute_time() -> None:
    """Below 2 to the 28 a time counts from now, from there on from 1970."""
    assert resolve([{"n": "a", "v": 1, "t": 268435455}], N)[0].time_s == N + 268435455
    assert resolve([{"n": "a", "v": 1, "t": 268435456}], N)[0].time_s == 268435456


def test_v8_ours_base_value() -> None:
    """The base value is added."""
    assert resolve([{"bn": "x", "bv": 20, "v": 0.5}], N)[0].value == 20.5


def test_v9_ours_base_fields_alone() -> None:
    """A record of base fields alone is no reading."""
    assert resolve([{"bn": "x"}], N) == []


def test_v10_ours_unknown_labels() -> None:
    """An unknown label is ignored, one that ends in _ must be understood."""
    assert resolve([{"n": "y", "v": 1, "foo": 2}], N)[0].value == 1
    with pytest.raises(SenmlFault, match="foo_"):
        resolve([{"n": "y", "v": 1, "foo_": 2}], N)


def test_sums_and_their_base() -> None:
    """A sum may stand without a value (SML-2) and has a base of its own (SML-1)."""
    found = resolve([{"bn": "x", "bs": 100, "s": 5}, {"n": "y", "v": 1, "s": 1, "ut": 60}], N)
    assert [(r.value, r.total, r.update_s) for r in found] == [(None, 105, None), (1, 101, 60)]


@pytest.mark.parametrize(
    ("pack", "says"),
    [
        ({"n": "a", "v": 1}, "list of records"),
        ([3], "not an object"),
        ([{"n": "a", "v": 1, "vs": "x"}], "several values"),
        ([{"n": "a b", "v": 1}], "not allowed"),
        ([{"n": "-a", "v": 1}], "not allowed"),
        ([{"n": "a\n", "v": 1}], "not allowed"),
        ([{"v": 1}], "empty"),
        ([{"n": "a", "v": "1"}], "not a number"),
        ([{"n": "a", "v": True}], "not a number"),
        ([{"n": "a", "v": float("nan")}], "finite"),
        ([{"n": "a", "v": 10**400}], "finite"),
        ([{"n": "a", "vs": 1}], "not text"),
        ([{"n": "a", "vb": 1}], "true or false"),
        ([{"n": "a", "vd": "aGk="}], "padding"),
        ([{"n": "a", "vd": "a!"}], "base64url"),
        ([{"bver": 11, "n": "a", "v": 1}], "newer"),
        ([{"bver": 9, "n": "a", "v": 1}, {"bver": 10, "n": "b", "v": 1}], "different versions"),
        ([{"bver": "10", "n": "a", "v": 1}], "not a number"),
        ([{"bt": "now", "n": "a", "v": 1}], "not a number"),
    ],
)
def test_what_breaks_the_standard_is_refused(pack: Any, says: str) -> None:
    """Each broken rule (SML-2, 3, 5, 7) is named with its record."""
    with pytest.raises(SenmlFault, match=says):
        resolve(pack, N)
