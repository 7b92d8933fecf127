"""Law: what is due follows from why the board is awake, without the radio; and every wake ends in sleep."""

import json

import pytest
from fake_ports import START_EPOCH_S, Board, Nvm, settings_file
from torpor import awake, messages, networks, retained, schedule, timekeeping
from torpor.errors import LinkError
from torpor.ring import Ring
from torpor.settings import within

FAILURES = ("watchdog", "panic", "brown-out")


class Hung(BaseException):
    """The join never came back: only the watchdog will."""


def synchronised(**changes):
    """A board that has stored one reading and knows the time; (board, what it asked to sleep)."""
    board = Board(settings_file(**changes))
    board.behaviours = {"one.example": "good"}
    board.join = lambda network: None
    asked_s = board.wake()
    assert board.traces == []
    assert diary(board).bits & retained.TIME_KNOWN
    return board, asked_s


def diary(board):
    return retained.Retained(board.retained)


def change(board, **fields):
    r = diary(board)
    for name, value in fields.items():
        assert hasattr(r, name)
        setattr(r, name, value)
    r.save()


def outcome(board):
    """(outcome of WAKE, the cycle); the radio must not be touched."""
    cycle = board.cycle()
    found = awake.wake(cycle)
    assert board.joined == []
    return found, cycle


def names(board):
    return [name for name, _ in board.events]


def stored(board):
    return [fields["seq"] for name, fields in board.events if name == "stored"]


# --- the first boot ------------------------------------------------------------------------------------------------


def test_a_first_boot_without_a_clock_starts_one_and_says_that_it_knows_no_time():
    board = Board()
    found, cycle = outcome(board)
    assert found == "person"
    assert board.rtc.sets[0][1] == timekeeping.COUNT_START_S
    assert not cycle.time_known()
    assert (cycle.r.run, cycle.slot) == (1, 0)
    assert cycle.r.bits & retained.FIRST_READING


@pytest.mark.parametrize("rubbish_s", [-5, 0, 2**32, 2**40])
def test_a_clock_that_shows_rubbish_is_none(rubbish_s):
    board = Board()
    board.rtc.set(rubbish_s)
    asked_s = board.wake()
    assert board.traces == []
    assert abs(board.rtc.shows() - timekeeping.COUNT_START_S) < 300
    board.sleep(asked_s)
    board.wake()
    assert board.traces == []
    assert diary(board).run == 1


def test_a_first_boot_with_a_set_clock_and_no_card_does_not_believe_the_clock():
    board = Board(card=False)
    board.rtc.set(START_EPOCH_S)
    asked_s = board.wake()
    assert board.traces == []
    assert not diary(board).bits & retained.TIME_KNOWN
    assert "held" in names(board)
    board.sleep(asked_s)
    board.wake()
    # nor was it touched: what it shows is still UTC for whoever can prove it
    assert abs(board.rtc.shows() - START_EPOCH_S - board.now_ms / 1000) < 2


def test_a_clock_is_believed_after_a_loss_of_power_when_the_card_proves_it():
    board, asked_s = synchronised()
    board.sleep(asked_s)
    board.wake()
    assert len(stored(board)) == 1
    board.power_cut()
    board.now_ms += 3 * 3600000
    found, cycle = outcome(board)
    assert found == "person"
    assert cycle.time_known()
    time_s, uncertainty_s = cycle.now()
    assert abs(time_s - board.true_s()) <= uncertainty_s <= 4
    assert cycle.r.run == 2


# --- the battery ---------------------------------------------------------------------------------------------------


def bits(board, battery_mv):
    board.battery_mv = battery_mv
    board.sleep(600)
    found, cycle = outcome(board)
    cycle.r.save()
    return found == "weak", cycle.r.bits & (retained.RADIO_HELD_OFF | retained.WRITES_HELD_OFF)


def test_two_thresholds_each_with_its_hysteresis():
    board, _ = synchronised()
    both = retained.RADIO_HELD_OFF | retained.WRITES_HELD_OFF
    assert bits(board, 3450) == (False, 0)
    assert bits(board, 3400) == (False, 0)
    assert bits(board, 3399) == (False, retained.RADIO_HELD_OFF)
    assert bits(board, 3499) == (False, retained.RADIO_HELD_OFF)
    assert bits(board, 3500) == (False, 0)
    assert bits(board, 3250) == (False, retained.RADIO_HELD_OFF)
    assert bits(board, 3199) == (True, both)
    assert bits(board, 3299) == (True, both)
    assert bits(board, 3300) == (False, retained.RADIO_HELD_OFF)
    assert bits(board, 4000) == (False, 0)


def test_a_weak_battery_writes_no_card_joins_nothing_and_sleeps_to_the_next_slot():
    board, asked_s = synchronised()
    board.sleep(asked_s)
    file = next(iter(board.files.values()))
    before = (file.reads, file.writes)
    board.battery_mv = 3000
    asked_s = board.wake()
    assert (file.reads, file.writes) == before
    assert board.joined == []
    assert board.traces == []
    board.sleep(asked_s)
    board.battery_mv = 4000
    board.wake()
    assert len(stored(board)) == 1
    assert diary(board).missed == 1


def test_a_person_does_not_get_a_weak_battery_to_transmit():
    board, _ = synchronised()
    board.cause = "pin"
    board.battery_mv = 3300
    board.wake()
    assert board.joined == []
    assert board.traces == []


def test_a_first_boot_too_weak_for_the_card_begins_its_run_later():
    board = Board()
    board.rtc.set(START_EPOCH_S)
    board.battery_mv = 3000
    asked_s = board.wake()
    assert board.files == {}
    board.battery_mv = 4000
    board.sleep(asked_s)
    board.wake()
    r = diary(board)
    assert r.run == 1
    assert len(stored(board)) == 1
    assert r.run_base_s > START_EPOCH_S


@pytest.mark.parametrize("loss", ["stopped", "back"])
def test_a_clock_lost_while_the_battery_is_weak_is_not_believed_afterwards(loss):
    board, asked_s = synchronised()
    board.sleep(asked_s)
    board.battery_mv = 3000
    if loss == "stopped":
        board.rtc.stop()
    else:
        board.rtc.set(timekeeping.COUNT_START_S)
    file = next(iter(board.files.values()))
    before = (file.reads, file.writes)
    asked_s = board.wake()
    assert (file.reads, file.writes) == before
    board.battery_mv = 4000
    board.join = None
    board.sleep(asked_s)
    board.wake()
    r = diary(board)
    assert not r.bits & retained.TIME_KNOWN
    assert r.run == 2
    # and the gap is counted from the last slot that is accounted for
    assert r.gap_slot == START_EPOCH_S // 600


# --- resets --------------------------------------------------------------------------------------------------------


def reset(board, cause):
    board.now_ms += 8000
    board.cause, board.reason = cause, None


def test_a_watchdog_reset_with_the_slot_not_stored_samples_it():
    board, asked_s = synchronised()
    board.sleep(asked_s)
    reset(board, "watchdog")
    assert outcome(board)[0] == "due"


def test_a_watchdog_reset_with_the_slot_stored_goes_on_with_the_next_network():
    board, _ = synchronised()
    change(board, trying=1)
    reset(board, "watchdog")
    assert outcome(board)[0] == "resume"


def test_or_sleeps_when_no_network_was_being_tried():
    board, _ = synchronised()
    reset(board, "watchdog")
    assert outcome(board)[0] == "not due"


def test_nor_does_it_go_on_when_the_battery_has_sunk():
    board, _ = synchronised()
    change(board, trying=1)
    reset(board, "watchdog")
    board.battery_mv = 3300
    assert outcome(board)[0] == "not due"


def test_a_network_that_hangs_every_time_ends_in_sleep_after_a_few_resets():
    board, asked_s = synchronised()
    change(board, next_transmit_s=0)
    board.sleep(asked_s)

    def hang(network):
        raise Hung

    board.join = hang
    resets = 0
    while True:
        try:
            asked_s = board.wake()
            break
        except Hung:
            resets += 1
            assert resets <= awake.RESETS_MAX + 1
            reset(board, "watchdog")
    assert resets == 1
    assert board.traces == []
    assert 1 <= asked_s <= 600
    r = diary(board)
    assert r.failures >= 1


def test_sensors_that_hang_every_time_end_in_sleep_too():
    board, asked_s = synchronised()
    board.sleep(asked_s)
    found = []
    for _ in range(awake.RESETS_MAX + 1):
        reset(board, "watchdog")
        found.append(outcome(board)[0])
        # the sensors hang: nothing of this wake but what was saved before
        r = diary(board)
        r.resets = len(found)
        r.save()
    assert found == ["due"] * awake.RESETS_MAX + ["back off"]


@pytest.mark.parametrize("cause", ["panic", "brown-out"])
def test_panic_and_brown_out_rest_first_and_longer_each_time(cause):
    board, _ = synchronised()
    asked = []
    for _ in range(4):
        reset(board, cause)
        asked.append(board.wake())
        assert stored(board) == []
        assert board.joined == []
        assert board.traces == []
    assert asked == sorted(asked)
    assert asked[0] >= 590
    assert asked[-1] >= 2300
    assert asked[-1] <= 86400


def test_a_radio_that_browns_the_board_out_is_started_less_and_less_often():
    board, asked_s = synchronised()
    change(board, next_transmit_s=0, failures=0)
    starts = []

    def brown_out(network):
        raise Hung

    board.join = brown_out
    for _ in range(400):
        board.sleep(asked_s)
        try:
            asked_s = board.wake()
        except Hung:
            starts.append(board.now_ms // 1000)
            reset(board, "brown-out")
            asked_s = board.wake()
    assert diary(board).failures >= 8
    # 400 slots; a start each slot would have been 400
    assert len(starts) < 60


def test_one_reset_that_was_overcome_does_not_lengthen_the_sleep():
    board, asked_s = synchronised(sample_s=60)
    board.sleep(asked_s)
    reset(board, "watchdog")
    asked_s = board.wake()
    assert len(stored(board)) == 1
    assert asked_s <= 60


@pytest.mark.parametrize("cause", awake.PERSON_CAUSES)
def test_a_person_gets_a_window_a_reading_and_a_session(cause):
    board, asked_s = synchronised()
    board.sleep(asked_s)
    board.cause = cause
    asked_s = board.wake()
    assert len(stored(board)) == 1
    assert board.joined == ["yard-office"]
    assert board.shown[0] == "service"
    assert diary(board).resets == 0


def test_the_button_forces_a_cycle_and_no_second_reading_of_the_slot():
    board, asked_s = synchronised()
    board.sleep(asked_s, share=0.2, reason="button")
    timer_ppm = diary(board).timer_ppm
    board.wake()
    assert stored(board) == []
    assert board.joined == ["yard-office"]
    # a sleep that a hand cut short says nothing about the timer
    assert diary(board).timer_ppm == timer_ppm


def test_with_no_broker_a_person_gets_no_radio():
    board = Board(b"rubbish")
    board.wake()
    board.cause = "pin"
    board.wake()
    assert board.joined == []
    assert board.traces == []


@pytest.mark.parametrize("share", [0.02, 0.3, 0.49, 0.51, 0.98])
def test_an_early_wake_sleeps_on(share):
    board, asked_s = synchronised()
    board.sleep(asked_s, share)
    found, cycle = outcome(board)
    assert found == "not due"
    assert cycle.r.timer_ppm >= -200000


# --- the clock -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cause", ["pin", "watchdog", "brown-out"])
def test_a_board_that_lay_still_for_hours_keeps_the_time_it_knows(cause):
    board, _ = synchronised()
    board.now_ms += 9 * 3600000
    board.cause = cause
    found, cycle = outcome(board)
    assert cycle.time_known()
    assert cycle.r.run == 1


@pytest.mark.parametrize("jump_s", [-601, -86400, 100000])
def test_a_clock_that_jumped_ends_the_run(jump_s):
    board, asked_s = synchronised()
    board.sleep(asked_s)
    board.rtc.jump(jump_s)
    found, cycle = outcome(board)
    assert not cycle.time_known()
    assert cycle.r.run == 2
    assert cycle.r.faults[retained.FAULTS.index("time")] == 1
    assert cycle.r.gap_slot != 0


class OutOfReach:
    """A clock chip on a bus that is held."""

    sets = ()

    def shows(self):
        return None

    def set(self, epoch_s):
        raise OSError(5)


@pytest.mark.parametrize("slept", [True, False])
def test_a_clock_that_was_out_of_reach_and_had_begun_anew_is_not_the_count_that_was_kept_without_it(slept):
    board, asked_s = synchronised()
    board.sleep(asked_s)
    chip, board.rtc = board.rtc, OutOfReach()
    if slept:
        board.sleep(board.wake())
    else:
        _, cycle = outcome(board)
        cycle.r.save()
    run = diary(board).run
    board.rtc = chip
    chip.set(timekeeping.COUNT_START_S + 4000)
    board.cause = "watchdog"
    _, cycle = outcome(board)
    assert (cycle.r.run, cycle.time_known()) == (run + 1, False)


def test_a_time_that_no_record_could_say_how_unsure_it_is_ends_the_run():
    board, _ = synchronised()
    board.settings = board.settings.replace(b"ppm_max = 100", b"ppm_max = 65000")
    for days, known in ((11, True), (2, False)):
        board.now_ms += days * 86400000
        board.cause = "watchdog"
        _, cycle = outcome(board)
        assert cycle.time_known() is known
        cycle.r.save()
    assert cycle.r.run == 2


def test_the_sleep_timer_is_learned_only_from_whole_sleeps():
    board, asked_s = synchronised()
    board.timer_ppm = -40000
    for _ in range(12):
        board.sleep(asked_s)
        asked_s = board.wake()
    assert abs(diary(board).timer_ppm + 40000) < 5000


# --- settings ------------------------------------------------------------------------------------------------------


def run_slots(board, asked_s, count):
    """So many more wakes by the timer; true seconds of the readings."""
    taken = []
    for _ in range(count):
        board.sleep(asked_s)
        asked_s = board.wake()
        assert board.traces == []
        if stored(board):
            taken.append(board.true_s())
    return taken, asked_s


def test_an_edit_that_keeps_the_interval_samples_no_slot_twice_and_counts_the_misses():
    board, asked_s = synchronised()
    taken, _ = run_slots(board, asked_s, 3)
    # somebody takes the board in for a while and comes back with another network
    board.now_ms += 100000
    board.settings = settings_file(ssid="kiln-shed")
    board.cause = "software"
    asked_s = board.wake()
    assert stored(board) == []
    assert board.joined == ["kiln-shed"]
    board.now_ms += 4 * 600000
    board.cause = "pin"
    asked_s = board.wake()
    taken.append(board.true_s())
    taken += run_slots(board, asked_s, 3)[0]
    slots = [int(true_s / 600 + 0.5) for true_s in taken]
    assert len(set(slots)) == len(slots)
    assert diary(board).missed == slots[-1] - slots[0] + 1 - len(slots)


@pytest.mark.parametrize("new_s", [60, 300, 900, 3600])
@pytest.mark.parametrize("card", [True, False])
@pytest.mark.parametrize("time_known", [True, False])
def test_an_edit_of_the_interval_samples_no_slot_twice_and_invents_no_misses(new_s, card, time_known):
    board = Board(settings_file(), card=card)
    if time_known:
        board.behaviours = {"one.example": "good"}
        board.join = lambda network: None
    asked_s = board.wake()
    taken, asked_s = run_slots_held(board, asked_s, 5)
    board.now_ms += 70000
    board.settings = settings_file(sample_s=new_s)
    board.cause = "software"
    asked_s = board.wake()
    edited_s = board.true_s()
    if names(board)[:1] in (["stored"], ["held"]):
        taken.append(edited_s)
    after, _ = run_slots_held(board, asked_s, 6)
    r = diary(board)
    assert r.missed == 0
    assert len(after) >= 6
    # the reading of the edit itself may have been the one of a slot up to half an interval ahead
    assert after[0] - edited_s <= new_s * 3 // 2 + 10
    base_s = 0 if time_known else board.rtc.sets[0][0] / 1000 + START_EPOCH_S
    slots = [int((true_s - base_s) / new_s + 0.5) for true_s in after]
    assert len(set(slots)) == len(slots)


def run_slots_held(board, asked_s, count):
    taken = []
    for _ in range(count):
        board.sleep(asked_s)
        asked_s = board.wake()
        assert board.traces == []
        if "stored" in names(board) or "held" in names(board):
            taken.append(board.true_s())
    return taken, asked_s


def test_an_edit_voids_what_was_set_from_afar_and_forgets_the_network():
    board, asked_s = synchronised()
    r = diary(board)
    assert messages.remote_settings(json.dumps({"id": 3, "set": {"sample_every_s": 300}}).encode(), r, within)
    r.network, r.channel, r.failures, r.broker_ip = 2, 6, 9, bytes([192, 0, 2, 1])
    r.next_transmit_s = int(board.true_s()) + 500000
    r.layout = 3
    r.save()
    board.sleep(asked_s)
    _, cycle = outcome(board)
    assert cycle.sample_s == 300
    board.settings = settings_file(ssid="kiln-shed")
    _, cycle = outcome(board)
    r = cycle.r
    assert cycle.sample_s == 600
    assert (r.remote_id, r.remote_sample_s, r.network, r.channel, r.failures) == (0, 0, 0, 0, 0)
    assert (r.next_transmit_s, r.layout, r.broker_ip) == (0, retained.NO_LAYOUT, bytes(4))


def test_a_broken_file_is_counted_and_the_last_good_one_stays_in_force():
    board, asked_s = synchronised()
    crc = diary(board).settings_crc
    board.settings = board.settings[:50]
    board.sleep(asked_s)
    asked_s = board.wake()
    r = diary(board)
    assert len(stored(board)) == 1
    assert r.settings_crc == crc
    assert r.faults[retained.FAULTS.index("settings")] == 1
    assert r.missed == 0


@pytest.mark.parametrize("data", [None, b"", b"rubbish", b"\xff" * 5000])
@pytest.mark.parametrize("slots", [0, 2])
def test_without_any_settings_a_node_stores_its_battery_voltage_and_sleeps(data, slots):
    board = Board(nvm=Nvm(slots))
    board.settings = data
    asked_s = board.wake()
    assert board.traces == []
    assert len(stored(board)) == 1
    assert asked_s <= 3600
    board.sleep(asked_s)
    board.wake()
    assert len(stored(board)) == 1


# --- the way out ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("broken", ["off", "settings_file", "rtc_epoch_s", "u32", "battery_mv", "read_mv", "event"])
def test_whatever_fails_the_wake_ends_in_sleep(broken, monkeypatch):
    board, asked_s = synchronised()
    change(board, next_transmit_s=0)
    board.join = None
    board.sleep(asked_s)

    def fail(*_, **__):
        raise OSError(5)

    monkeypatch.setattr("fake_ports.Ports." + broken, fail)
    asked_s = board.wake()
    assert 1 <= asked_s <= 86400
    monkeypatch.undo()
    board.join = None
    board.sleep(asked_s)
    board.wake()
    assert board.traces == []


def test_a_radio_that_cannot_be_switched_off_does_not_keep_the_sleep_from_being_planned(monkeypatch):
    board, asked_s = synchronised()
    board.sleep(asked_s)

    def fail(_):
        raise RuntimeError

    monkeypatch.setattr("fake_ports.Ports.off", fail)
    asked_s = board.wake()
    due_s = schedule.until_next_slot_s(int(board.true_s()), diary(board).last_slot, 600)
    assert abs(asked_s - due_s) <= 3


@pytest.mark.parametrize(("over_s", "missed"), [(-0.3, 0), (0, 0), (1.9, 0), (3.1, 1), (20, 1)])
def test_a_session_that_ends_as_the_next_slot_begins_does_not_cost_it(over_s, missed):
    board, asked_s = synchronised(sample_s=60, transmit_s=60)
    change(board, next_transmit_s=0)
    board.sleep(asked_s)
    slot_s = diary(board).last_slot * 60 + 60

    def join(_):
        board.now_ms = int((slot_s + 60 + over_s - START_EPOCH_S) * 1000)
        raise LinkError("join", "absent")

    board.join = join
    asked_s = board.wake()
    assert board.joined
    assert diary(board).last_slot == slot_s // 60
    board.sleep(asked_s)
    board.wake()
    assert diary(board).last_slot == slot_s // 60 + 1 + missed
    assert diary(board).missed == missed
    assert board.traces == []


def test_a_cold_start_that_passes_numbers_over_takes_up_the_run_of_the_newest_reading():
    """Two runs of one number would give each other's readings their times."""
    board, asked_s = synchronised()
    for _ in range(80):
        board.sleep(asked_s)
        asked_s = board.wake()
    r = diary(board)
    before = r.head, r.run
    assert before == (81, 1)
    ring = Ring(next(iter(board.files.values())), r.ring_id, 60, r.head)
    for seq in range(r.head, 0, -2):
        # a card that lost a unit of 4 MiB
        ring.file.sectors[ring.sector_of(seq)] = bytes(512)
    for run in (2, 2):
        # a person's window each time, and nothing is stored before the next cut
        board.power_cut()
        cycle = board.cycle()
        assert awake.wake(cycle) == "person"
        assert cycle.r.head >= 80 + 64
        assert cycle.r.run == run


@pytest.mark.parametrize("cause", FAILURES)
def test_a_reset_right_after_a_run_began_begins_none_of_the_same_number(cause):
    """Their readings would get their times from each other."""
    board, asked_s = synchronised()
    board.sleep(asked_s)
    board.rtc.stop()
    found, cycle = outcome(board)
    assert (found, cycle.r.run) == ("due", 2)
    base_s = cycle.r.run_base_s
    # a sector has landed when the watchdog comes, and the diary has not been written since
    board.cause = cause
    board.now_ms += 7000
    _, cycle = outcome(board)
    assert (cycle.r.run, cycle.r.run_base_s) == (2, base_s)


def test_runs_that_begin_without_a_look_at_the_card_take_no_number_that_it_may_have():
    board, _ = synchronised()
    files = board.files
    board.files = None
    runs_seen = set()
    for _ in range(4):
        board.power_cut(rtc_lost=True)
        board.wake()
        runs_seen.add(diary(board).run)
    assert len(runs_seen) == 4
    assert min(runs_seen) > 0x4000
    board.files = files
    board.power_cut(rtc_lost=True)
    board.wake()
    assert diary(board).run not in runs_seen
    # a card that has none of them yet begins with 1
    board.files = {}
    board.power_cut(rtc_lost=True)
    board.wake()
    assert diary(board).run == 1


def test_a_clock_that_stands_still_ends_no_readings(monkeypatch):
    """Their time is unknown, as it is; each wake begins to count anew."""
    board, asked_s = synchronised()
    stood_s = board.rtc.shows()
    monkeypatch.setattr(board.rtc, "shows", lambda: stood_s)
    heads = []
    for _ in range(5):
        board.sleep(asked_s)
        asked_s = board.wake()
        assert 1 <= asked_s <= 600
        heads += stored(board)
        assert not diary(board).bits & retained.TIME_KNOWN
    assert len(heads) == 5


def test_after_a_hung_network_the_next_one_gets_its_turn():
    text = settings_file() + b'[[network]]\nssid = "kiln-shed"\npassword = "slow-and-even-heat"\n'
    board = Board(text)
    board.behaviours = {"one.example": "good"}

    def join(network):
        if network["ssid"] == "yard-office":
            raise Hung

    board.join = join
    with pytest.raises(Hung):
        board.wake()
    reset(board, "watchdog")
    board.wake()
    assert board.joined == ["kiln-shed"]
    assert board.traces == []
    cycle = board.cycle()
    awake.choose_settings(cycle)
    order = networks.order(cycle.settings, None, cycle.r, 0)
    assert order[0][1]["ssid"] == "kiln-shed"
