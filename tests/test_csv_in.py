"""CSV files in the dialects of many loggers: read right, or refused with a reason."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logger.csv_in import CsvReading, CsvRefused, read_csv
from logger.lines import with_checksum

KPA = [655.1, 654.9, 600.25, 612.5, 640.0, 654.75]


def text_of(header: str, rows: list[str], end: str = "\n") -> bytes:
    return end.join([header, *rows, ""]).encode()


def pressures(reading: CsvReading) -> tuple[str, ...]:
    """Names of the channels that were taken for pressures."""
    return tuple(c.name for c in reading.channels if c.is_pressure)


def kpa(reading: CsvReading, column: str = "") -> list[float]:
    column = column or next(str(c) for c in reading.readings.columns if str(c).endswith("_pa"))
    return [round(v / 1000.0, 6) for v in reading.readings[column]]


def seconds(reading: CsvReading) -> list[float]:
    return [round(t, 6) for t in reading.readings.index]


def plain(times: list[str], header: str = "time_s,tool_kpa") -> bytes:
    return text_of(header, [f"{t},{v}" for t, v in zip(times, KPA, strict=False)])


# What a plain file gives


def test_a_plain_file_gives_seconds_from_its_first_reading_and_pascals() -> None:
    got = read_csv(plain(["3.5", "3.6", "3.7", "3.8", "3.9", "4.0"]), name="a.csv")
    assert seconds(got) == [0.0, 0.1, 0.2, 0.3, 0.4, 0.5]
    assert kpa(got) == KPA
    assert got.readings.index.name == "time_s"
    assert (got.rows, got.duration_s, round(got.rate_hz, 6)) == (6, 0.5, 10.0)
    assert (got.bad_lines, got.bad_count, got.warnings, got.started) == ((), 0, (), None)
    assert set(got.repaired.values()) == {0}
    assert pressures(got) == ("tool",)
    assert [(c.name, c.unit) for c in got.channels] == [("tool", "kPa")]
    assert list(got.raw["tool"]) == KPA
    assert "kPa gauge" in got.unit
    assert "seconds" in got.time


def test_a_path_is_read_and_its_name_stands_in_the_refusal(tmp_path: Path) -> None:
    path = tmp_path / "deck.csv"
    path.write_bytes(plain(["0", "1", "2"]))
    assert read_csv(path).name == "deck.csv"
    with pytest.raises(CsvRefused, match=r"absent.csv: cannot be read \(No such file"):
        read_csv(tmp_path / "absent.csv")


# Names and units


@pytest.mark.parametrize(
    ("header", "column", "pascals"),
    [
        ("tool (psi)", "tool_pa", 6894.757293),
        ("tool_psi", "tool_pa", 6894.757293),
        ("psi", "line_pa", 6894.757293),
        ("p [bar]", "p_pa", 1e5),
        ("Hose end / kPa", "hose_end_pa", 1e3),
        ("Leitungsdruck in MPa", "leitungsdruck_pa", 1e6),
        ("receiver mbar", "receiver_pa", 1e2),
        ("TOOL_PSIG", "tool_pa", 6894.757293),
        ("tool bar(g)", "tool_pa", 1e5),
        ("supply psia", "supply_abs_pa", 6894.757293),
        ("supply (bar abs)", "supply_abs_pa", 1e5),
        ("supply absolute [kPa]", "supply_abs_pa", 1e3),
        ("supply_abs_pa", "supply_abs_pa", 1.0),
        ("barometer (hPa)", "barometer_abs_pa", 1e2),
        ("barometer (inHg)", "barometer_abs_pa", 3386.389),
        ("tool [kg/cm²]", "tool_pa", 98066.5),
        ("tank kgf/cm2 abs", "tank_abs_pa", 98066.5),
        ("pipe_mmHg", "pipe_pa", 133.3224),
        ("Schläuche_bar", "schlauche_pa", 1e5),
    ],
)
def test_unit_and_name_come_from_the_header(header: str, column: str, pascals: float) -> None:
    got = read_csv(text_of(f"time_s,{header}", ["0,1.5", "1,2.5", "2,1.0"]))
    assert list(got.readings.columns) == [column]
    assert got.readings[column].to_numpy() == pytest.approx(np.array([1.5, 2.5, 1.0]) * pascals, rel=1e-6)


def test_other_quantities_become_si_beside_the_pressure() -> None:
    got = read_csv(
        text_of("t_ms;tool_bar;wall (°C);air_degf;shed %RH;a0 [mV];loop mA;adc;note", ["0;6;20;50;65;12;4;512;x", "5;7;21;50;65;13;5;600;"])
    )
    first = got.readings.iloc[0]
    want = {"tool_pa": 6e5, "wall_k": 293.15, "air_k": 283.15, "shed_rh": 0.65, "a0_v": 0.012, "loop_a": 0.004}
    assert {k: first[k] for k in want} == pytest.approx(want)
    assert [c for c in got.readings.columns if c.endswith("_counts")]
    assert "left out: note" in got.columns


def test_a_third_sensor_named_c_is_not_in_degrees() -> None:
    got = read_csv(text_of("time_s,sensor_a,sensor_b,sensor_c", ["0,90,91,92", "1,90,91,92", "2,90,91,92"]), unit="psi")
    assert pressures(got) == ("sensor_a", "sensor_b", "sensor_c")


def test_a_row_of_units_under_the_header_is_understood() -> None:
    got = read_csv(text_of("elapsed,tool,wall", ["(s),(psi),(°C)", "0,90,20", "1,91,20", "2,92,20"]))
    assert [c.unit for c in got.channels] == ["psi", "degC"]
    assert got.rows == 3


def test_without_a_unit_a_file_is_refused_and_the_way_out_is_named() -> None:
    data = plain(["0", "1", "2"], header="time_s,tool")
    with pytest.raises(CsvRefused, match=r"seen were 'time_s', 'tool'.*--unit psi.*tool_psi or tool \(bar\)"):
        read_csv(data)
    assert kpa(read_csv(data, unit="kPa")) == KPA[:3]
    assert list(read_csv(data, unit="bar abs").readings.columns) == ["tool_abs_pa"]


def test_the_unit_given_is_used_only_where_the_file_names_none() -> None:
    got = read_csv(plain(["0", "1", "2"]), unit="psi")
    assert kpa(got) == KPA[:3]
    assert any("names its units itself" in w for w in got.warnings)
    with pytest.raises(CsvRefused, match=r"'furlong' is no unit of a pressure"):
        read_csv(plain(["0", "1"]), unit="furlong")


def test_a_unit_given_is_not_laid_over_a_temperature_or_a_counter() -> None:
    got = read_csv(text_of("sample,time_s,tool,temp", ["1,0,90,20", "2,1,91,20", "3,2,92,21"]), unit="psi")
    assert pressures(got) == ("tool",)
    assert list(got.readings.columns) == ["tool_pa"]


def test_counts_alone_are_kept_to_be_calibrated_and_temperature_alone_is_refused() -> None:
    got = read_csv(text_of("t_us,a0 (counts)", ["0,512", "1000,513", "2000,512"]))
    assert pressures(got) == ()
    assert any("calibrate" in w for w in got.warnings)
    with pytest.raises(CsvRefused, match="which column is a pressure"):
        read_csv(text_of("time_s,wall_degc", ["0,20", "1,21", "2,20"]))


def test_two_columns_of_one_name_stay_apart() -> None:
    got = read_csv(text_of("time_s,tool (psi),tool (degC),tool (bar)", ["0,90,20,6", "1,90,20,6", "2,91,20,6"]))
    assert [c.name for c in got.channels] == ["tool", "tool_temperature", "tool_2"]


# Dialects


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", " ", "   ", ", "])
def test_delimiters(delimiter: str) -> None:
    got = read_csv(text_of(delimiter.join(["time_s", "tool_kpa"]), [f"{i}{delimiter}{v}" for i, v in enumerate(KPA)]))
    assert kpa(got) == KPA
    assert seconds(got) == [0, 1, 2, 3, 4, 5]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_encodings(encoding: str) -> None:
    text = "time_s;Schläuche (bar);außen (°C)\n" + "".join(f"{i};6,{i}1;2{i},5\n" for i in range(9))
    got = read_csv(text.encode(encoding))
    assert list(got.readings.columns) == ["schlauche_pa", "aussen_k"]
    assert kpa(got)[:2] == [601.0, 611.0]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str) -> None:
    assert kpa(read_csv(text_of("time_s,tool_kpa", [f"{i},{v}" for i, v in enumerate(KPA)], end))) == KPA


def test_line_ends_mixed_in_one_file_keep_the_line_numbers() -> None:
    rows = "".join(f"{i},{600 + i}.5" + ("\r\n", "\n", "\r")[i % 3] for i in range(40))
    got = read_csv(b"time_s,tool_kpa\r\n" + rows.replace("7,607.5", "7,60x.5").encode())
    assert got.rows == 39
    assert got.bad_lines == ((9, "'60x.5' is no number"),)


def test_decimal_comma_is_read() -> None:
    got = read_csv(text_of("Zeit (s);Leitung (bar)", ["0,00;6,1009", "0,05;6,1011", "0,10;6,0968"]))
    assert kpa(got) == [610.09, 610.11, 609.68]
    assert seconds(got) == [0.0, 0.05, 0.1]


def test_thousands_are_told_from_decimals_by_the_rest_of_the_file() -> None:
    got = read_csv(
        text_of(
            '"time, elapsed (ms)","tool (kPa)"', [f'"{t}","{p}"' for t, p in [("990", "1,000.5"), ("1,000", "999.5"), ("1,010", "998.5")]]
        )
    )
    assert seconds(got) == [0.0, 0.01, 0.02]
    assert kpa(got) == [1000.5, 999.5, 998.5]
    got = read_csv(text_of("t_ms;tool_kpa", ["990;1.000,5", "1.000;999,5", "1.010;998,5"]))
    assert seconds(got) == [0.0, 0.01, 0.02]
    assert kpa(got) == [1000.5, 999.5, 998.5]


def test_thousands_that_the_time_reaches_late_are_read() -> None:
    got = read_csv(text_of('"Elapsed (s)","Line (Pa)"', [f'"{3 * i:,}","{610_000 + 7 * i:,}"' for i in range(600)]))
    assert len(seconds(got)) == 600
    assert seconds(got)[-1] == 1797.0
    assert kpa(got)[-1] == pytest.approx(614.193)


def test_a_comma_that_can_be_read_in_two_ways_is_said() -> None:
    got = read_csv(text_of("time_s;tool_bar", ["1,000;6,125", "1,005;6,250", "1,010;6,375"]))
    assert kpa(got) == [612.5, 625.0, 637.5]
    assert any("can be read in two ways; it was read as a decimal sign" in w for w in got.warnings)


def test_decimal_commas_between_commas_are_refused_not_guessed() -> None:
    with pytest.raises(CsvRefused, match=r"names 2 columns, but the lines have 4.*semicolons"):
        read_csv(text_of("time_s,tool_bar", ["0,00,6,10", "0,05,6,11", "0,10,6,12"]))


def test_quoted_text_with_delimiters_and_quotes_in_it() -> None:
    rows = ['0,"wind, then ""rain""",6.10', '1,"",6.11', '2,"a,b,c,d",6.12', "3,plain,6.13"]
    got = read_csv(text_of('time_s,"remark, if any",tool_bar', rows))
    assert kpa(got) == [610.0, 611.0, 612.0, 613.0]


def test_junk_and_comments_before_and_within() -> None:
    data = b"Logger 7, serial 12\nstart,2026-06-03\n\n# psi and friends\ntime_s,tool_kpa\n# begun\n0,655.1\n1,654.9\n\n# note\n2,600.2\n"
    got = read_csv(data)
    assert kpa(got) == [655.1, 654.9, 600.2]
    assert got.bad_lines == ()


def test_a_header_written_as_a_comment() -> None:
    assert kpa(read_csv(text_of("# time_s tool_kpa", ["0 655.1", "1 654.9", "2 600.2"]))) == [*KPA[:2], 600.2]


def test_a_header_repeated_by_a_restart_is_no_bad_line() -> None:
    rows = [f"{i},{600 + i}.5" for i in range(20)]
    rows[10:10] = ["time_s,tool_kpa"]
    got = read_csv(text_of("time_s,tool_kpa", rows))
    assert (got.rows, got.bad_count) == (20, 0)


def test_no_header_needs_a_unit_and_takes_the_rising_column_as_time() -> None:
    rows = [f"{41.312 + 0.008 * i:.3f} {85.5 + i % 3}" for i in range(30)]
    got = read_csv(text_of(rows[0], rows[1:]), unit="psi")
    assert got.rows == 30
    assert got.rate_hz == pytest.approx(125.0)
    with pytest.raises(CsvRefused, match="seen were 'column 1', 'column 2'"):
        read_csv(text_of(rows[0], rows[1:]))


# Peculiarities of some loggers


def test_units_behind_every_number_are_understood_and_another_unit_is_no_reading() -> None:
    rows = [f"{i} s,6.{i % 10}1 bar,{20 + i % 3}.5 °C" for i in range(40)]
    rows[20] = "20 s,620.1 mbar,20.5 °C"
    got = read_csv(text_of("time,tool,wall", rows))
    assert [c.unit for c in got.channels] == ["bar", "degC"]
    assert kpa(got)[:3] == [601.0, 611.0, 621.0]
    assert got.bad_lines == ((22, "'620.1 mbar' is no number"),)


def test_line_ends_within_quotes_in_header_and_remarks() -> None:
    rows = [f'{i},"rain",{600 + i}.5' for i in range(30)]
    rows[10] = '10,"wind,\nthen ""rain""",610.5'
    rows[20] = "20,x,6.x"
    rows[25] = '25,"rain,625.5'
    got = read_csv(text_of('time_s,"remark\nif any","tool\n(kPa)"', rows))
    assert kpa(got) == [600.5 + i for i in range(30) if i not in {20, 25}]
    assert [n for n, _ in got.bad_lines] == [25, 30]


def test_remarks_at_the_end_of_some_lines() -> None:
    rows = [f"{i},{600 + i % 7}.5" + (",fitted the receiver" if i % 30 == 7 else "") for i in range(100)]
    rows[50] = "50,600.551,601.5"  # two lines run together are no reading with a remark
    got = read_csv(text_of("time_s,tool_kpa,note", rows))
    assert (got.rows, [n for n, _ in got.bad_lines]) == (99, [52])


def test_device_lines_captured_raw_are_checked_against_their_checksums() -> None:
    def line(i: int) -> str:
        body = f"{i * 4000},{2000 + i % 9},{1500 + i % 5}"
        return f"{body}*{np.bitwise_xor.reduce(np.frombuffer(body.encode(), np.uint8)):02X}"

    rows = [line(i) for i in range(60)]
    rows[30] = rows[30].replace("2003", "2007")
    rows[40] = rows[40][:-3]
    got = read_csv(text_of("#farend columns=t_us,a0,a1 rate=250 unit=counts", rows))
    assert list(got.readings.columns) == ["a0_counts", "a1_counts"]
    assert got.rows == 58
    assert got.bad_lines == ((32, "its checksum is wrong or missing"), (42, "its checksum is wrong or missing"))
    with pytest.raises(CsvRefused, match="checksum is wrong"):
        read_csv(text_of("#farend columns=t_us,a0,a1 rate=250 unit=counts", [line(i)[:-2] + "00" for i in range(60)]))


@pytest.mark.parametrize("header", ["when,tool_kpa", ""])
def test_a_comma_within_the_clock_time(header: str) -> None:
    rows = [f"2026-06-03 10:00:{i // 20:02d},{i % 20 * 50:03d},{600 + i % 7}.5" for i in range(60)]
    got = read_csv("\n".join([header, *rows]).encode(), unit=None if header else "kPa")
    assert np.diff(got.readings.index) == pytest.approx(0.05)
    assert kpa(got)[:2] == [600.5, 601.5]


def test_a_units_row_above_the_header_and_blank_cells_between() -> None:
    rows = [f"{i},90.{i % 7},20" for i in range(9)]
    for top in (["s,psi,degC", "time,tool,wall"], ["time,tool,wall", "s,psi,degC", ",,"]):
        assert [c.unit for c in read_csv("\n".join([*top, *rows]).encode()).channels] == ["psi", "degC"]


def test_the_newest_reading_first_is_turned_round() -> None:
    got = read_csv(plain(["5", "4", "3", "2", "1", "0"]))
    assert kpa(got) == KPA[::-1]
    assert any("turned round" in w for w in got.warnings)


def test_a_unit_given_is_not_laid_over_a_unit_that_is_not_known() -> None:
    data = text_of("time_s,tank (inH2O),tool", ["0,29.9,90", "1,29.8,91", "2,29.9,90"])
    assert pressures(read_csv(data, unit="psi")) == ("tool",)


def test_without_a_header_the_column_that_numbers_the_lines_is_neither_time_nor_pressure() -> None:
    rows = [f"{i + 1} {41.312 + 0.008 * i:.3f} {85.5 + i % 3}" for i in range(30)]
    got = read_csv("\n".join(rows).encode(), unit="psi")
    assert got.rate_hz == pytest.approx(125.0)
    assert pressures(got) == ("line",)
    rows = [f"{r} 21.{i % 5}" for i, r in enumerate(rows)]
    assert any("column 3 and column 4 are all taken as pressures" in w for w in read_csv("\n".join(rows).encode(), unit="psi").warnings)


def test_thousands_between_commas_where_nothing_else_tells() -> None:
    got = read_csv(text_of("t_ms,tool_kpa", [f'"18,{250 + 10 * i}",{700 + i}' for i in range(20)]))
    assert got.duration_s == pytest.approx(0.19)
    assert any("can be read in two ways" in w for w in got.warnings)


# Bad lines


def many(n: int = 200) -> list[str]:
    return [f"{i * 0.01:.2f},{650 + (i * 7) % 13}.{i % 10}" for i in range(n)]


@pytest.mark.parametrize(
    ("torn", "why"),
    [
        ("0.50", "1 of 2 values: the line is torn"),
        ("0.5", "1 of 2 values: the line is torn"),
        ("0.50,", "last value '' has fewer digits"),
        ("0.50,6", "last value '6' has fewer digits"),
        ("0.50,659", "last value '659' has fewer digits"),
        ("0.50,659. ", "last value '659. ' has fewer digits"),
        ("0.50,659.", "last value '659.' has fewer digits"),
        ("0.50,659.20.51,655.1", "3 values instead of 2"),
        ("0.50,6x9.2", "'6x9.2' is no number"),
        (",659.2", "no time that can be read"),
        ("0x32,659.2", "'0x32' is no number"),
        ("0.50,0x1F.8", "'0x1F.8' is no number"),
        ("0.50,1_000.5", "'1_000.5' is no number"),
        ("0.50,65 9.2", "'65 9.2' is no number"),
        ('0.50,"659.2', "its quotes are not closed"),
        ("9000050,659.2", "its time does not fit"),
        ("0.50,659000000.2", "no pressure of air is that high"),
        ("\0\0\0\0\0\0", "1 of 2 values"),
    ],
)
def test_a_line_that_is_no_reading_is_named_and_left_out(torn: str, why: str) -> None:
    rows = many()
    rows[50] = torn
    got = read_csv(text_of("time_s,tool_kpa", rows))
    assert [n for n, _ in got.bad_lines] == [52]
    assert why in got.bad_lines[0][1]
    assert got.rows == 199
    assert kpa(got)[50] == 656.1


def test_numbers_without_trailing_zeros_are_no_torn_lines() -> None:
    values = [round(650 + (i * 37 % 400) / 100, 2) for i in range(400)]
    got = read_csv(text_of("time_s,tool_kpa", [f"{i / 10:g},{v:g}" for i, v in enumerate(values)]))
    assert (got.rows, got.bad_count) == (400, 0)


def test_a_trailing_zero_left_out_now_and_then_is_no_torn_line() -> None:
    # A pressure that stands still but for a dip now and then, written without trailing zeros.
    values = [6.23 if i % 50 else 5.4 for i in range(500)]
    rows = [f"{i / 10:g},{v:g}" for i, v in enumerate(values)]
    rows[75] = rows[75][:-1]
    got = read_csv(text_of("time_s,tool_bar", rows))
    assert got.bad_lines == ((77, "last value '6.2' has fewer digits than the others: the line is torn"),)
    assert kpa(got).count(540.0) == 10


def test_a_whole_number_cut_short_is_told_by_its_neighbours() -> None:
    rows = [f"{i * 1000},{2600 + i % 7}" for i in range(100)]
    rows[40] = rows[40][:-2]
    got = read_csv(text_of("t_us,a0_counts", rows))
    assert got.bad_lines == ((42, "last value '26' has fewer digits than the others: the line is torn"),)


@pytest.mark.parametrize("cut", range(1, 12))
def test_a_file_cut_anywhere_in_its_last_line_gives_no_wrong_number(cut: int) -> None:
    whole = text_of("time_s,tool_kpa", many())
    got = read_csv(whole[:-cut])
    assert kpa(got) == kpa(read_csv(whole))[: got.rows]
    assert got.rows == (200 if cut == 1 else 199)


def test_a_tail_of_zeros_left_by_a_power_loss_is_left_out() -> None:
    got = read_csv(text_of("time_s,tool_kpa", many()) + bytes(4096))
    assert (got.rows, got.bad_count) == (200, 0)
    assert any("4096 zero bytes" in w for w in got.warnings)


@pytest.mark.parametrize(
    ("first", "second", "units"),
    [
        ("time_s,line_bar", "time_s,line_psi", "in psi from there on, and in bar before"),
        ("time_s,line_bar", "time_s,line_bar_abs", "in bar absolute from there on, and in bar before"),
        ("time_s,line_bar", "time_ms,line_bar", "in ms from there on, and in s before"),
        ("time,line\ns,bar", "time,line\ns,psi", "in psi from there on, and in bar before"),
    ],
)
def test_another_header_with_other_units_is_another_table(first: str, second: str, units: str) -> None:
    rows = [f"{i},{6 + i % 7 / 100}" for i in range(60)]
    with pytest.raises(CsvRefused, match=f"is another header .*{units} it. Needed is one table to a file: cut it in two"):
        read_csv(text_of(first, [*rows[:50], second, *rows[50:]]))
    # The same once more, one that is torn, and a word for no reading are nothing but that.
    for line in (first, "time_s,lin", "9,psi", "2026-06-03T07:12:01,fault (psi)"):
        got = read_csv(text_of(first, [*rows[:50], line, *rows[50:]]))
        assert kpa(got)[:2] == pytest.approx([600.0, 601.0])
        assert got.rows == 60


def test_missing_readings_are_nan_and_infinite_ones_too() -> None:
    rows = [f"{i},{600 + i}.5,{20 + i}.5" for i in range(30)]
    rows[4], rows[5], rows[6], rows[7] = "4,NaN,24.5", "5,605.5,", "6,inf,26.5", "7,NaN,NaN"
    got = read_csv(text_of("time_s,tool_kpa,wall_degc", rows))
    assert got.readings["tool_pa"].isna().tolist()[4:7] == [True, False, True] or got.bad_count == 1
    assert 7.0 not in got.readings.index
    assert any("infinite" in w for w in got.warnings)
    assert any("no reading" in w for w in got.warnings)


def test_a_pressure_below_a_vacuum_is_no_reading() -> None:
    rows = [f"{i},{-999 if i % 10 == 3 else 600 + i % 7},{-999 if i % 10 == 5 else 700 + i % 7}" for i in range(100)]
    got = read_csv(text_of("time_s,tool (kPa),supply (kPa abs)", rows))
    assert got.rows == 100
    assert np.isnan(got.readings["tool_pa"]).sum() == np.isnan(got.readings["supply_abs_pa"]).sum() == 10
    assert any("10 readings of tool (kPa) are below a vacuum" in w for w in got.warnings)
    # A gauge sensor that shows a little less than nothing, and a weak vacuum, are readings.
    assert kpa(read_csv(text_of("time_s,tool (kPa)", ["0,-3", "1,-60", "2,0"]))) == [-3.0, -60.0, 0.0]
    with pytest.raises(CsvRefused, match=r"every reading of tool \(kPa\) is below a vacuum \(the highest is -250 kPa\)\. Needed is"):
        read_csv(text_of("time_s,tool (kPa)", ["0,-300", "1,", "2,-250"]))


def test_more_than_a_tenth_bad_lines_is_too_much() -> None:
    rows = many()
    for i in range(50, 80):
        rows[i] = "garbage"
    with pytest.raises(CsvRefused, match=r"30 of 200 lines cannot be read \(line 52: .*\)\. More than a tenth"):
        read_csv(text_of("time_s,tool_kpa", rows))
    got = read_csv(text_of("time_s,tool_kpa", [r for i, r in enumerate(rows) if i < 65 or i >= 80]))
    assert (got.rows, got.bad_count) == (170, 15)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (b"\n\n \n", "empty"),
        (b"# only\n# comments\n", "only comments"),
        (b"PK\x03\x04junk", r"\.xlsx workbook"),
        (bytes(range(256)) * 40, "not text|no table"),
        (b"hello\nworld\n", "no table of numbers"),
        (b"time_s,tool_kpa\n", "no table of numbers"),
        (b"time_s,tool_kpa\n0,655.1\n", "only 1 reading"),
        (b"tool_kpa\n655.1\n655.2\n", "no table of numbers"),
        (b"tool_kpa,supply_kpa\n655.1,700.2\n655.2,700.1\n650.1,700.0\n", "no column could be identified as time"),
        (b"sample,tool_kpa\n1,655.1\n2,655.2\n3,650.1\n", "no column could be identified as time"),
    ],
)
def test_what_is_no_recording_is_refused_with_what_is_needed(data: bytes, says: str) -> None:
    with pytest.raises(CsvRefused, match=says) as refusal:
        read_csv(data, name="x.csv")
    assert str(refusal.value).startswith("x.csv: ")


def test_two_readings_are_enough() -> None:
    got = read_csv(plain(["0", "0.5"]))
    assert (got.rows, got.rate_hz) == (2, 2.0)


# Time


@pytest.mark.parametrize(
    ("header", "times"),
    [
        ("t_us", ["1000000", "1100000", "1200000"]),
        ("t_ms", ["1000", "1100", "1200"]),
        ("Time [sec]", ["1.0", "1.1", "1.2"]),
        ("millis", ["5000", "5100", "5200"]),
        ("time", ["1780000000.0", "1780000000.1", "1780000000.2"]),
        ("timestamp", ["1780000000000", "1780000000100", "1780000000200"]),
        ("timestamp", ["1780000000000000", "1780000000100000", "1780000000200000"]),
        ("t", ["2026-06-03T10:00:00.0", "2026-06-03T10:00:00.1", "2026-06-03T10:00:00.2"]),
        ("t", ["2026-06-03 10:00:00", "2026-06-03 10:00:00.1", "2026-06-03 10:00:00.2"]),
        ("t", ["2026-06-03T10:00:00.0Z", "2026-06-03T10:00:00.1Z", "2026-06-03T10:00:00.2Z"]),
        ("t", ["2026-06-03T10:00:00.0+02:00", "2026-06-03T10:00:00.1+02:00", "2026-06-03T10:00:00.2+02:00"]),
        ("t", ["20260603T100000.0", "20260603T100000.1", "20260603T100000.2"]),
        ("t", ["03.06.2026 10:00:00.0", "03.06.2026 10:00:00.1", "03.06.2026 10:00:00.2"]),
        ("t", ["3-Jun-2026 10:00:00.0", "3-Jun-2026 10:00:00.1", "3-Jun-2026 10:00:00.2"]),
        ("t", ["06/23/2026 10:00:00.0 AM", "06/23/2026 10:00:00.1 AM", "06/23/2026 10:00:00.2 AM"]),
        ("t", ["9:59:59.9", "10:00:00.0", "10:00:00.1"]),
        ("t", ["11:59:59.9 PM", "12:00:00.0 AM", "12:00:00.1 AM"]),
        ("elapsed", ["99:59:59.9", "100:00:00.0", "100:00:00.1"]),
        ("elapsed", ["59:59.9", "00:00.0", "00:00.1"]),
        ("t", ["2026-06-03 10:00:00.0 EDT", "2026-06-03 10:00:00.1 EDT", "2026-06-03 10:00:00.2 EDT"]),
        ("t", ["2026-06-03T10:00:00.0+02:00[Europe/Rome]", "2026-06-03T10:00:00.1+02:00[Europe/Rome]", "2026-06-03T10:00:00.2+02:00"]),
        ("t", ["Wed Jun 3 10:00:00.0 2026", "Wed Jun 3 10:00:00.1 2026", "Wed Jun 3 10:00:00.2 2026"]),
        ("t", ['"Wed, 03 Jun 2026 10:00:00.0 +0000"', '"Wed, 03 Jun 2026 10:00:00.1 +0000"', '"Wed, 03 Jun 2026 10:00:00.2 +0000"']),
        ("t", ["2026-06-03_10-00-00.0", "2026-06-03_10-00-00.1", "2026-06-03_10-00-00.2"]),
        ("t", ["10:00:00:000", "10:00:00:100", "10:00:00:200"]),
    ],
)
def test_ways_to_write_the_time(header: str, times: list[str]) -> None:
    assert seconds(read_csv(plain(times, header=f"{header},tool_kpa"))) == pytest.approx([0.0, 0.1, 0.2], abs=2e-6)


def test_dates_written_as_one_number_are_no_seconds() -> None:
    moments = [datetime(2026, 12, 31, 23, 59, 30) + timedelta(seconds=5 * i) for i in range(40)]
    got = read_csv(text_of("time,tool_kpa", [f"{m:%Y%m%d%H%M%S},{600 + i % 7}.5" for i, m in enumerate(moments)]))
    assert seconds(got) == list(np.arange(40) * 5.0)
    # A counter of seconds that merely has as many digits holds no months.
    counted = read_csv(text_of("time_s,tool_kpa", [f"{20261399000000 + i * 5},{600 + i % 7}.5" for i in range(40)]))
    assert counted.duration_s == 195.0


def test_days_of_a_spreadsheet_are_no_seconds() -> None:
    # 46095.5 is 2026-03-14 12:00; 5 s are 5.787e-5 days.
    got = read_csv(text_of("date,tool_kpa", [f"{46095.5 + i * 5.0 / 86400.0:.9f},{600 + i % 7}.5" for i in range(40)]))
    assert seconds(got) == pytest.approx(np.arange(40) * 5.0, abs=0.002)
    assert got.started is not None
    assert (got.started.year, got.started.month, got.started.day, got.started.hour) == (2026, 3, 14, 12)
    assert any("spreadsheets count days" in w for w in got.warnings)
    assert read_csv(text_of("time (days),tool_kpa", ["0,600.5", "0.25,601.5", "0.5,600.5"])).duration_s == 43_200.0


@pytest.mark.parametrize(
    ("header", "minutes", "duration_s", "said"),
    [
        ("elapsed", 40, 2395.0, "read as minutes and seconds"),
        ("elapsed", 10, 595.0 * 60.0, "read as hours and minutes"),
        ("elapsed (mm:ss)", 10, 595.0, ""),
        ("elapsed (hh:mm)", 40, 2395.0 * 60.0, ""),
    ],
)
def test_times_of_two_parts_are_read_as_the_header_says_or_it_is_said(header: str, minutes: int, duration_s: float, said: str) -> None:
    rows = [f"{i * 5 // 60:02d}:{i * 5 % 60:02d},{600 + i % 7}.5" for i in range(minutes * 12)]
    got = read_csv(text_of(f"{header},tool_kpa", rows))
    assert got.duration_s == duration_s
    assert any(said in w for w in got.warnings) if said else not got.warnings


def test_started_is_known_where_the_file_tells_the_day() -> None:
    got = read_csv(plain(["2026-06-03T10:00:00+02:00", "2026-06-03T10:00:01+02:00"], header="t,tool_kpa"))
    assert got.started == datetime(2026, 6, 3, 8, 0, tzinfo=UTC)
    assert got.started.utcoffset() == timedelta(hours=2)
    assert read_csv(plain(["1780000000", "1780000001"], header="t,tool_kpa")).started == datetime.fromtimestamp(1780000000, UTC)
    naive = read_csv(plain(["2026-06-03T10:00:00", "2026-06-03T10:00:01"], header="t,tool_kpa")).started
    assert naive is not None
    assert naive.replace(tzinfo=None) == datetime(2026, 6, 3, 10)
    assert naive.tzinfo is not None


def test_date_and_clock_in_two_columns_across_midnight() -> None:
    rows = ["31.12.2026;23:59:59;6,1", "31.12.2026;23:59:59,5;6,1", "01.01.2027;00:00:00;6,1", "01.01.2027;00:00:00,5;6,2"]
    assert seconds(read_csv(text_of("Datum;Uhrzeit;Leitung (bar)", rows))) == [0.0, 0.5, 1.0, 1.5]


@pytest.mark.parametrize(
    ("dates", "step_s", "open_question"),
    [
        (["13/05/2026", "14/05/2026"], 86400, False),
        (["05/13/2026", "05/14/2026"], 86400, False),
        (["03/05/2026", "04/05/2026"], 86400, False),
        (["05/03/2026", "05/04/2026"], 86400, False),
        (["05/03/2026", "05/03/2026"], 3600, True),
    ],
)
def test_day_and_month_are_told_apart_by_the_dates_or_it_is_said(dates: list[str], step_s: int, open_question: bool) -> None:
    clocks = ["10:00:00", "10:00:00"] if step_s == 86400 else ["10:00:00", "11:00:00"]
    got = read_csv(plain([f"{d} {c}" for d, c in zip(dates, clocks, strict=True)], header="when,tool_kpa"))
    assert got.duration_s == step_s
    assert any("day/month or month/day" in w for w in got.warnings) == open_question


def test_a_32_bit_counter_that_begins_again_goes_on() -> None:
    ticks = [(2**32 - 3 * 5000 + i * 5000) % 2**32 for i in range(6)]
    got = read_csv(plain([str(t) for t in ticks], header="t_us,tool_kpa"))
    assert seconds(got) == pytest.approx([i * 0.005 for i in range(6)], abs=1e-6)
    assert got.repaired["wraps"] == 1
    ticks = [(2**32 - 3 * 5 + i * 5) % 2**32 for i in range(6)]
    assert read_csv(plain([str(t) for t in ticks], header="t_ms,tool_kpa")).duration_s == pytest.approx(0.025)


def test_microseconds_divided_by_a_thousand_begin_again_too() -> None:
    ticks = [f"{((2**32 - 15000 + i * 5000) % 2**32) / 1000:.3f}" for i in range(6)]
    assert read_csv(plain(ticks, header="t_ms,tool_kpa")).duration_s == pytest.approx(0.025)


def test_a_line_from_before_the_wrap_that_comes_late_is_put_back() -> None:
    ticks = [(2**32 - 10 * 5000 + i * 5000) % 2**32 for i in range(20)]
    ticks[9], ticks[10] = ticks[10], ticks[9]
    rows = [f"{t},{600 + i}.5" for i, t in enumerate(ticks)]
    got = read_csv(text_of("t_us,tool_kpa", rows))
    assert got.rows == 20
    assert got.duration_s == pytest.approx(0.095)
    assert got.repaired["out_of_order"] == 1
    assert kpa(got)[9:11] == [610.5, 609.5]


def test_the_wrap_is_undone_over_a_gap() -> None:
    ticks = [4_294_000_000, 4_294_005_000, 4_294_010_000, 60_000_000, 60_005_000, 60_010_000]
    got = read_csv(plain([str(t) for t in ticks], header="t_us,tool_kpa"))
    assert got.duration_s == pytest.approx((2**32 - 4_294_000_000 + 60_010_000) * 1e-6)


def test_lines_out_of_order_and_written_twice_are_repaired_and_counted() -> None:
    rows = many()
    rows[10], rows[11] = rows[11], rows[10]
    rows[50:50] = [rows[50], rows[50]]
    got = read_csv(text_of("time_s,tool_kpa", rows))
    clean = read_csv(text_of("time_s,tool_kpa", many()))
    assert kpa(got) == kpa(clean)
    assert (got.repaired["out_of_order"], got.repaired["duplicates"]) == (1, 2)
    assert np.all(np.diff(got.readings.index) > 0)


def test_a_restarted_counter_is_set_after_what_came_before_and_said() -> None:
    rows = [f"{i * 10_000 + 90_000_000},{600 + i % 9}.5" for i in range(50)] + [f"{i * 10_000},{610 + i % 9}.5" for i in range(50)]
    got = read_csv(text_of("t_us,tool_kpa", rows))
    assert got.rows == 100
    assert kpa(got)[:50] == [600 + i % 9 + 0.5 for i in range(50)]
    assert any("line 52: the time starts again" in w for w in got.warnings)


def test_a_block_written_late_is_put_back_and_no_restart() -> None:
    rows = [f"{i * 10_000},{600 + i % 9}.5" for i in range(900)]
    got = read_csv(text_of("t_us,tool_kpa", [*rows[:300], *rows[600:], *rows[300:600]]))
    assert got.rows == 900
    assert kpa(got) == [600 + i % 9 + 0.5 for i in range(900)]
    assert got.repaired["out_of_order"] == 300


def test_a_recording_written_twice_is_one_recording() -> None:
    rows = [f"{i * 5},{600 + i % 9}.{i % 7}" for i in range(200)]
    for again in ([*rows, *rows], [*rows[:150], *rows[100:]], [row for row in rows for _ in range(2)]):
        got = read_csv(text_of("time_s,tool_kpa", again))
        assert (got.rows, got.duration_s) == (200, 995.0)
        assert kpa(got) == kpa(read_csv(text_of("time_s,tool_kpa", rows)))


def test_dated_lines_in_any_order_are_sorted_and_no_clock_is_changed_for_them() -> None:
    moments = [datetime(2026, 6, 3, 22, 0, 0) + timedelta(seconds=5 * i) for i in range(2000)]
    rows = [f"{m:%Y-%m-%d %H:%M:%S},{600 + i % 9}.5" for i, m in enumerate(moments)]
    shuffled = np.random.default_rng(0).permutation(len(rows)).tolist()
    got = read_csv(text_of("when,tool_kpa", [rows[i] for i in shuffled]))
    assert kpa(got) == [600 + i % 9 + 0.5 for i in range(2000)]
    assert "clock_changes" not in got.repaired


def test_numbered_lines_in_any_order_are_refused_with_the_reason() -> None:
    shuffled = np.random.default_rng(0).permutation(200).tolist()
    with pytest.raises(CsvRefused, match=r"'time_s' rise too seldom.*Sort the lines by time"):
        read_csv(text_of("time_s,tool_kpa", [f"{5 * i},{600 + i % 9}.5" for i in shuffled]))


@pytest.mark.parametrize("wrong", ["03:00:00", "23:59:00", "9:00:01"])
def test_a_wrong_clock_time_is_no_midnight(wrong: str) -> None:
    rows = [f"21:00:{i:02d},{600 + i}.5" for i in range(60)]
    rows[30] = f"{wrong},630.5"
    got = read_csv(text_of("clock,tool_kpa", rows))
    assert (got.rows, got.duration_s, got.repaired["wraps"]) == (59, 59.0, 0)
    assert "its time does not fit" in got.bad_lines[0][1]


def test_coarse_times_are_spread_over_their_step() -> None:
    rows = [f"10:00:{i // 10:02d},{600 + i % 7}.5" for i in range(100)]
    got = read_csv(text_of("clock,tool_kpa", rows))
    assert got.rows == 100
    assert np.diff(got.readings.index) == pytest.approx(0.1)
    assert any("spread evenly" in w for w in got.warnings)


@pytest.mark.parametrize("header", ["clock", "when"])
def test_the_end_of_summer_time_is_undone_on_a_wall_clock(header: str) -> None:
    day = "2026-10-25T" if header == "when" else ""
    moments = [datetime(2026, 10, 25, 2, 59, 50) + timedelta(seconds=i) - timedelta(hours=i >= 10) for i in range(20)]
    got = read_csv(text_of(f"{header},tool_kpa", [f"{day}{m:%H:%M:%S},{600 + i}.5" for i, m in enumerate(moments)]))
    assert seconds(got) == list(range(20))
    assert any("went back by an hour" in w for w in got.warnings)


def test_the_start_of_summer_time_is_undone_on_a_wall_clock() -> None:
    moments = [datetime(2026, 3, 29, 1, 59, 50) + timedelta(seconds=i) + timedelta(hours=i >= 10) for i in range(20)]
    rows = [f"{m:%Y-%m-%d %H:%M:%S},{600 + i}.5" for i, m in enumerate(moments)]
    assert read_csv(text_of("when,tool_kpa", rows)).duration_s == 19.0
    # On a day when no clock is changed, an hour without readings is an hour.
    rows = [r.replace("2026-03-29", "2026-03-25") for r in rows]
    assert read_csv(text_of("when,tool_kpa", rows)).duration_s == 3619.0


def test_an_offset_that_changes_in_the_night_of_the_clock_change_is_followed() -> None:
    zones = [timezone(timedelta(hours=1))] * 5 + [timezone(timedelta(hours=2))] * 5
    moments = [(datetime(2026, 3, 29, 0, 59, 55, tzinfo=UTC) + timedelta(seconds=i)).astimezone(z) for i, z in enumerate(zones)]
    got = read_csv(text_of("when;p [bar]", [f"{m.isoformat()};6,{i}1" for i, m in enumerate(moments)]))
    assert seconds(got) == list(range(10))
    assert "offset changes" in got.time


def test_a_time_without_a_unit_that_cannot_be_seconds_is_refused() -> None:
    rows = [f"{i * 2500 + i % 3},{600 + i % 7}.5" for i in range(50)]
    with pytest.raises(CsvRefused, match=r"unlikely to be seconds.*t_ms or t_us"):
        read_csv(text_of("time,tool_kpa", rows))


# Laws


@st.composite
def tables(draw: st.DrawFn) -> tuple[bytes, list[float], list[float]]:
    """Make a file in some dialect, with its times from the first reading and pressures in kPa."""
    n = draw(st.integers(3, 60))
    steps = draw(st.lists(st.integers(1, 400), min_size=n - 1, max_size=n - 1))
    start = draw(st.integers(0, 10**6))
    ticks = [start, *(start + int(c) for c in np.cumsum(steps))]
    values = draw(st.lists(st.integers(-9000, 990_000), min_size=n, max_size=n))
    # With a comma between columns, a decimal comma is only possible within quotes.
    delimiter, decimal, quoted = draw(
        st.sampled_from(
            [
                (",", ".", False),
                (";", ",", False),
                (";", ".", False),
                ("\t", ",", False),
                ("|", ".", True),
                (" ", ".", False),
                (",", ",", True),
            ]
        )
    )
    unit, digits = draw(st.sampled_from([("kpa", 2), ("bar", 4), ("MPa", 5)]))
    form = draw(st.sampled_from(["time_s", "t_ms", "t_us", "iso"]))
    if delimiter == " " and form == "iso":
        form = "time_s"

    def sign(text: str) -> str:
        text = text.replace(".", decimal)
        return f'"{text}"' if quoted else text

    def stamp(tick: int) -> str:
        if form == "iso":
            moment = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(milliseconds=tick)
            return moment.isoformat(timespec="milliseconds")
        return sign({"time_s": f"{tick / 1000:.3f}", "t_ms": str(tick), "t_us": str(tick * 1000)}[form])

    header = delimiter.join([f'"{form}"' if quoted else form, f"hose_end_{unit}"])
    scale = {"kpa": 1.0, "bar": 100.0, "MPa": 1000.0}[unit]
    rows = [f"{stamp(t)}{delimiter}{sign(f'{v / 100 / scale:.{digits}f}')}" for t, v in zip(ticks, values, strict=True)]
    junk = draw(st.sampled_from([[], ["# made by a logger"], ["Logger model seven", ""], ["# a", "", "# b"]]))
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    last = end if draw(st.booleans()) else ""
    text = end.join([*junk, header, *rows]) + last
    return text.encode(encoding), [(t - ticks[0]) / 1000 for t in ticks], [v / 100 for v in values]


@given(tables())
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_what_is_written_is_read(table: tuple[bytes, list[float], list[float]]) -> None:
    data, times, values = table
    got = read_csv(data)
    assert got.bad_lines == ()
    assert got.readings.index.to_numpy() == pytest.approx(np.array(times), abs=2e-6)
    assert got.readings["hose_end_pa"].to_numpy() == pytest.approx(np.array(values) * 1000.0, abs=1e-3)


GARBAGE = st.one_of(
    st.text(alphabet=st.characters(blacklist_characters="\r\n", blacklist_categories=["Cs"]), max_size=30),
    st.text(alphabet="0123456789.,;-eE+\"' xn#", max_size=20),
)


@given(st.lists(st.tuples(st.integers(1, 199), GARBAGE), max_size=12), st.integers(0, 30))
@settings(max_examples=150, deadline=None)
@example([(5, '"')], 0)
@example([(5, '""0.05,659.9'), (9, '"')], 0)
@example([(1, ',"'), (1, '0,"')], 0)
@example([(1, "x,y"), (1, "0,x")], 0)
@example([(1, "0,")], 0)
def test_garbage_lines_never_become_readings(junk: list[tuple[int, str]], cut: int) -> None:
    rows = [f"{i * 0.01:.2f},{650 + (i * 7) % 13}.{i % 10}" for i in range(200)]
    true = {(f"{float(r.split(',')[0]):.2f}", float(r.split(",")[1])) for r in rows}
    for at, text in sorted(junk, reverse=True):
        if not re.fullmatch(r"\s*-?[0-9]*\.?[0-9]+\s*,\s*-?[0-9]+\.[0-9]+\s*", text):  # that would be a reading
            rows.insert(at, text)
    data = text_of("time_s,tool_kpa", rows)
    got = read_csv(data[: len(data) - cut])
    read = {(f"{t:.2f}", round(p / 1000, 3)) for t, p in zip(got.readings.index, got.readings["tool_pa"], strict=True)}
    assert read <= true
    assert got.rows >= 180


@given(st.one_of(st.binary(max_size=400), st.text(alphabet="0123456789.,;:-/ \t\n\rTZeE+\"'#|abs()psiµ°\0", max_size=400).map(str.encode)))
@settings(max_examples=300, deadline=None)
@example(b"\xff\xfe0")
@example(b"0,0\n1,1")
@example(b"t,psi\n0:00,1\n0:99,2\n")
def test_nothing_but_a_refusal_is_raised_on_any_bytes(data: bytes) -> None:
    try:
        got = read_csv(data, unit="psi")
    except CsvRefused as refusal:
        assert len(str(refusal)) > 40
    else:
        assert got.rows >= 2
        assert np.all(np.diff(got.readings.index) > 0)


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_nothing_but_a_refusal_is_raised_on_a_damaged_file(data: st.DataObject) -> None:
    whole = bytearray(text_of("when;tool (bar);air (°C)", [f"2026-06-03T10:00:{i:02d}+02:00;6,{i:02d}5;21,{i:02d}" for i in range(40)]))
    for at, byte in data.draw(st.lists(st.tuples(st.integers(0, len(whole) - 1), st.integers(0, 255)), max_size=30)):
        whole[at] = byte
    try:
        got = read_csv(bytes(whole))
    except CsvRefused as refusal:
        assert len(str(refusal)) > 40
    else:
        assert np.all(np.diff(got.readings.index) > 0)


def test_lines_caught_from_the_wire_with_the_long_checksum_are_checked() -> None:
    lines = [with_checksum(f"{4000 * i},{512 + i % 3}", "crc16") for i in range(60)]
    lines[10] = lines[10].replace("512", "912").replace("513", "913").replace("514", "914")
    reading = read_csv(("t_us,tool_kpa\n" + "\n".join(lines) + "\n").encode())
    assert reading.rows == 59
    assert [why for _, why in reading.bad_lines] == ["its checksum is wrong or missing"]
