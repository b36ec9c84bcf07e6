"""The written record of each alarm."""

from __future__ import annotations

from importlib.resources import files

import pytest

from sashkeeper.alarms import catalogue, evidence, picture
from sashkeeper.alarms.catalogue import CatalogueError

NEEDED = {
    "stuck-shut", "stuck-shut-cool", "stuck-open", "open-in-frost", "hot-though-open", "too-hot", "frost-danger",
    "probe-lost", "frame-silent", "frame-silent-sun", "settings-refused", "settings-lost", "battery-low",
    "battery-empty", "hold-left-on", "moved-alone", "motor-fault", "lid-iced", "blind-lid", "clock-lost",
    "restarts-often", "broker-lost", "keeper-was-down", "no-drop", "safe-mode",
}  # fmt: skip


def text() -> str:
    """The catalogue's file."""
    return files("sashkeeper.alarms").joinpath("catalogue.toml").read_text(encoding="utf-8")


def test_every_alarm_of_the_plan_has_its_record() -> None:
    """Each needed alarm is there, and reading the file already refuses empty lines."""
    assert set(catalogue.default().ids()) >= NEEDED


@pytest.mark.parametrize("alarm", catalogue.default(), ids=lambda a: a.id)
def test_priority_follows_from_harm_and_time(alarm: catalogue.Alarm) -> None:
    """Priority, recomputed here by counting steps from the worst corner, equals the written one."""
    # Chosen matrix, restated independently: worst corner 0; one step milder in either direction adds one;
    # 0-1 urgent, 2 high, 3 medium, above low - but an hour of grace does not help a bed or a person.
    harm = ("grave", "severe", "moderate", "minor").index(alarm.harm)
    time = ("within-30-min", "within-3-h", "within-24-h", "later").index(alarm.time_to_respond)
    distance = harm + time
    expected = "urgent" if distance <= 1 else {2: "high", 3: "medium"}.get(distance, "low")
    assert alarm.priority == expected or (harm, time) == (1, 0), alarm.id
    assert alarm.priority == catalogue.priority_for(alarm.harm, alarm.time_to_respond)


def test_matrix_never_rates_less_harm_or_more_time_higher() -> None:
    """Along each row and each column of the matrix urgency only falls."""
    rank = {p: i for i, p in enumerate(catalogue.PRIORITIES)}
    rows = [[rank[p] for p in catalogue.MATRIX[h]] for h in catalogue.HARMS]
    for row in rows:
        assert row == sorted(row)
    for column in zip(*rows, strict=True):
        assert list(column) == sorted(column)


def test_temperature_alarms_have_the_default_delays() -> None:
    """Limits on air temperature wait at least 60 s, end after at least 300 s, and have at least 0.5 K of deadband."""
    for name in ("too-hot", "open-in-frost", "frost-danger"):
        alarm = catalogue.default()[name]
        assert alarm.on_delay_s >= 60, name
        assert alarm.off_delay_s >= 300, name
        assert alarm.deadband_k >= 0.5, name


def test_alarms_after_a_confirmed_fault_ring_at_once() -> None:
    """The frame has waited and retried already, so the host adds no delay to a stuck lid."""
    for name in ("stuck-shut", "no-drop", "stuck-open", "moved-alone"):
        assert catalogue.default()[name].on_delay_s == 0, name


def test_evidence_judges_every_alarm_of_a_frame() -> None:
    """Each alarm of the catalogue is judged for a frame, except those about the keeper itself."""
    found = evidence.findings(picture.Picture("north", 0.0), catalogue.default())
    keeper = {"broker-lost", "keeper-was-down", "phone-unreached"}
    assert set(found) == set(catalogue.default().ids()) - keeper


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('priority = "urgent"', 'priority = "low"', "harm and time to respond give priority urgent, not low"),
        ("on_delay_s = 60", 'on_delay_s = "soon"', "on_delay_s must be a number"),
        ('harm = "grave"', 'harm = "awful"', "harm must be one of grave"),
        ('kind = "heat"', 'kind = ""', "kind must be one of"),
        ('covered_by = ["no-drop"]', 'covered_by = ["no-such"]', "covered_by does not know 'no-such'"),
        ('quiet_in = ["hold", "storage"]', 'quiet_in = ["party"]', "quiet_in does not know 'party'"),
        ("off_delay_s = 120\n", "", "has no off_delay_s"),
        ("[alarm.stuck-shut]", "[alarm.stuck-shut", "cannot be read"),
    ],
)
def test_faulty_catalogue_is_refused_in_words(old: str, new: str, words: str) -> None:
    """A changed catalogue with a fault is refused by one sentence that says where and what."""
    assert old in text()
    with pytest.raises(CatalogueError) as fault:
        catalogue.read(text().replace(old, new, 1))
    assert words in str(fault.value)
