"""Cases for the real boards: the probes on their bus, and what the fittings say of them."""

import onewire
from board_desk import AIR, COOL, SOIL, WARM, actions, main, make, now, refusal

from sash.boards import one_wire


def case_probes_never_waited_for():
    """A conversion is begun in one step and read 800 ms later, never before, and no time passes inside read."""
    board, _ = make()
    before = now[0]
    assert board.read().probes == {"air": None, "soil": None}
    now[0] += 700
    assert board.read().probes == {"air": None, "soil": None}
    now[0] += 150
    assert board.read().probes == {"air": WARM, "soil": COOL}
    assert now[0] == before + 850
    onewire.devices[AIR] = COOL
    now[0] += 400
    assert board.read().probes["air"] == WARM  # the next conversion still runs
    now[0] += 500
    assert board.read().probes["air"] == COOL


def case_one_probe_a_step_while_moving():
    """While the lid moves a step asks at most one probe."""
    board, _ = make()
    board.read()
    board.apply(actions(1))
    now[0] += 900
    before = onewire.state["conversations"]
    board.read()
    assert onewire.state["conversations"] == before + 1
    board.read()
    assert onewire.state["conversations"] == before + 2


def case_probe_gone_and_bus_faults():
    """A missing probe, an empty bus, a stuck bus and a raising driver all give None, and all come back."""
    board, _ = make()

    def later():
        for _ in range(3):
            now[0] += 900
            found = board.read().probes
        return found

    assert later() == {"air": WARM, "soil": COOL}
    del onewire.devices[SOIL]
    assert later() == {"air": WARM, "soil": None}
    onewire.devices[SOIL] = COOL
    for fault in ("stuck_low", "raises"):
        onewire.state[fault] = 1
        assert later() == {"air": None, "soil": None}, fault
        onewire.state[fault] = 0
        assert later() == {"air": WARM, "soil": COOL}, fault
    assert board.probes.found() == sorted([AIR, SOIL])


def case_one_probe_needs_no_code():
    """The first evening: one probe, no ROM code written down, and it is read."""
    board, _ = make(probes={"air": ""})
    del onewire.devices[SOIL]
    board.read()
    now[0] += 900
    assert board.read().probes == {"air": WARM}


def case_bad_code_leaves_its_place_blind():
    """A ROM code with a slip leaves that place without readings; the frame starts and the others are read."""
    board, _ = make(probes={"air": AIR, "soil": "28zz", "air2": ""})
    board.read()
    now[0] += 900
    assert board.read().probes == {"air": WARM, "soil": None, "air2": None}


def case_bad_rom_is_a_sentence():
    """A ROM code that is none is refused with the place's name."""
    for digits in ("28", "zz", AIR + "00"):
        assert "air" in refusal(one_wire.rom_bytes, "air", digits)


if __name__ == "__main__":
    main(globals())
