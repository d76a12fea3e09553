"""What serial instruments really do, and the test that shows that the station survives it.

Over a pseudo-terminal unless marked (pure): there the pseudo-terminal cannot show it, and a test
of the pure layer or with the system call refused stands in. Parity, 7 bits, break and modem lines
cannot be shown by a pseudo-terminal either; nobody has tried them on a real port.

partial line at timeout  test_port.test_a_line_cut_by_the_timeout_is_not_handed_out_and_not_lost
CRLF split over two reads  test_port.test_a_line_end_split_over_two_reads
dribble  test_port.test_a_dribble_does_not_stretch_the_timeout
10 kB without terminator  test_port.test_ten_kilobytes_without_a_line_end
unplug in mid-line  test_port.test_unplugging_in_mid_line_keeps_what_was_whole
unplug in mid-run  test_pull_tester.test_unplugged_in_mid_run_voids_the_pull
another serial number  test_link.test_another_serial_number_is_refused
late answer after timeout  test_meter.test_a_late_answer_does_not_shift_the_readings
late answer, simulated  test_dialects_end_to_end.test_late_answers_never_shift_the_readings
sentinels, OL, blanks, dashes  test_meter.test_what_is_no_reading_is_never_a_number
sentinels of testers  test_dialects_end_to_end.test_no_sentinel_of_a_tester_becomes_a_force
unit change  test_pull_tester.test_a_unit_change_voids_the_run
no unit (pure)  test_force_lines.test_a_missing_unit_is_assumed_only_where_the_profile_says_which
negative tension  test_dialects_end_to_end.test_a_pull_finds_the_force_it_broke_at
error queue of 60 entries  test_meter.test_sixty_old_errors_are_refused_and_three_are_drained
unquoted error  test_meter.test_an_error_after_the_settings_is_refused_with_its_hint
power-on bit  test_meter.test_a_meter_switched_off_and_on_is_configured_again
stale FETC  test_dialects_end_to_end.test_a_stale_reading_is_refused
stale stream  test_pull_tester.test_a_tester_that_falls_silent_in_mid_run
1000 lines/s with counter  test_hardware_cases.test_a_fast_stream_loses_no_line
port busy  test_port.test_a_held_port_is_busy
no permission (pure)  test_port.test_no_permission
missing device  test_port.test_a_missing_device
raising callback  test_gpio.test_raising_callback_is_reported_and_nothing_dies
stuck footswitch  test_gpio.test_footswitch_held_at_start_needs_release
guard blink  test_gpio.test_guard_blink_between_two_polls_voids
SIGTERM turns lamps off  test_gpio.test_sigterm_switches_all_outputs_off
mock refused  test_gpio.test_mock_pins_are_refused_unless_allowed
clock unsynced  test_clock.test_the_clock_counts_as_synced_when_systemd_says_so
kill during commit  test_store_processes.test_what_was_acknowledged_survives_a_kill

The minute at 1000 lines/s, with the page polled, is ``python -m tests.benchmarks.serial_stream``;
two hundred unplugged pulls are ``python -m tests.benchmarks.reconnect``.
"""

import re
from pathlib import Path

import pytest

from station.instruments.force_lines import ForceLines
from station.instruments.port import LinePort
from station.instruments.profiles import load_tester_profile
from station.simulation.launch import SimulatedInstrument

STATION_TESTS = Path(__file__).parents[1]
CASES = re.findall(r"^(\S.*?)\s{2,}(test_\w+)\.(test_\w+)$", __doc__ or "", re.MULTILINE)
FEWEST_CASES = 30
LINES = 3000


@pytest.mark.parametrize(("case", "module", "name"), CASES, ids=[case for case, *_ in CASES])
def test_each_case_has_its_test(case: str, module: str, name: str) -> None:
    texts = [path.read_text(encoding="utf-8") for path in STATION_TESTS.rglob(f"{module}.py")]
    assert any(re.search(rf"^def {name}\(", text, re.MULTILINE) for text in texts), case


def test_no_case_is_lost_from_the_table() -> None:
    assert len(CASES) >= FEWEST_CASES


def test_a_fast_stream_loses_no_line() -> None:
    profile = load_tester_profile("tester-line-protocol")
    with (
        SimulatedInstrument(
            "pull_tester", profile="tester-line-protocol", arguments=("--baud", "921600")
        ) as far,
        LinePort(far.port, profile.line, name="board") as port,
    ):
        port.next_line(20.0)
        lines = ForceLines(profile, "board")
        indices = []
        for _ in range(LINES):
            line = port.next_line(20.0)
            sample = lines.read(line.data, line.at_s)
            assert sample is not None
            indices.append(sample.index)
        assert indices == list(range(LINES))
