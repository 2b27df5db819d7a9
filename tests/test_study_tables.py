"""The tables of a study: equal to the visits' own files, whole where a visit is damaged, and asked in SQL or pandas."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from pipeline.bench.study_tables import study_tables as bench_study_tables
from pipeline.cli import main
from pipeline.errors import ConfigError, QueryError
from pipeline.metrics import CATALOGUE
from pipeline.report.layout import load_sources
from pipeline.report.parts import load_parts, save_parts
from pipeline.store import write_text
from pipeline.study_export import dictionary, export_tables
from pipeline.study_query import TABLES, LossWarning, query
from pipeline.study_tables import CONTRACTS, SAVED, study_tables
from pipeline.study_visits import DTYPES
from pipeline.tables import TableFormat
from tests.report_fixture import FORMULA, report, strides

PAGE = Path(__file__).parents[1] / "pipeline/docs/tables.md"
VISITS = (("01", "01", date(2026, 1, 5)), ("P2", "1", date(2026, 2, 1)), ("P10", "02", date(2026, 3, 17)))
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def results(tmp_path: Path) -> Path:
    """Three visits of three persons; two have text that tries to be a formula."""
    for subject, visit, day in VISITS:
        saved = report()
        metrics = [replace(one, reason=FORMULA) if one.reason else one for one in saved.metrics]
        changed = replace(saved, subject=subject, visit=visit, visit_date=day, metrics=tuple(metrics), changes=FORMULA)
        save_parts(folder_of(tmp_path / "results", subject, visit), changed, strides())
    return tmp_path / "results"


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run the command beside the results; gives exit code, output and error output."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["strideledger", *arguments])
        with pytest.raises(SystemExit) as caught:
            main()
        return int(caught.value.code or 0), *capsys.readouterr()

    return call


def folder_of(results: Path, subject: str, visit: str) -> Path:
    """A visit's folder."""
    return results / f"sub-{subject}" / f"ses-{visit}"


def rows(frame: pd.DataFrame) -> list[tuple[Any, ...]]:
    """The cells of a frame whatever its types: None where missing, dates as text, floats to 12 digits."""

    def cell(value: Any) -> Any:
        if pd.isna(value):
            return None
        if isinstance(value, pd.Timestamp | date):
            return value.strftime("%Y-%m-%d")
        return float(f"{value:.12g}") if isinstance(value, float | int | np.number) else value

    return [tuple(cell(value) for value in row) for row in frame.astype(object).itertuples(index=False)]


def test_every_table_keeps_its_contract(results: Path) -> None:
    for name, table in study_tables(results, curves=["knee_flexion_deg"]).by_name().items():
        assert {column: str(kind) for column, kind in table.dtypes.items()} == {
            column.name: DTYPES[column.kind] for column in CONTRACTS[name]
        }, name


def test_the_rows_are_those_of_the_visits_own_files(results: Path) -> None:
    tables = study_tables(results).by_name()
    for subject, visit, _ in VISITS:
        folder = folder_of(results, subject, visit)
        saved, stored = load_parts(folder)
        own = {name: tables[name][tables[name]["subject"] == subject] for name in SAVED}
        assert rows(own["strides"].drop(columns=["subject", "visit"])) == rows(stored.table.replace("", None))
        for name, columns in SAVED.items():
            file = pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)
            assert len(own[name]) == len(file), name
            for column in columns:
                if column.kind == "number":
                    numbers = [float(cell) if cell else np.nan for cell in file[column.name]]
                    np.testing.assert_array_equal(own[name][column.name], numbers)
        values = own["metrics"].set_index(["metric", "side"])
        for one in saved.metrics:
            row = values.loc[(one.metric, one.side)]
            told = (row["status"], row["n_strides"], "" if pd.isna(row["reason"]) else row["reason"])
            assert told == (one.status, one.n_strides, one.reason)
            assert np.isnan(row["value"]) if one.value is None else row["value"] == one.value
        verdicts = list(zip(own["faults"]["fault"], own["faults"]["verdict"], strict=True))
        assert verdicts == [(fault.name, fault.verdict) for fault in saved.faults]


def test_a_visit_has_what_its_report_says(results: Path) -> None:
    visits = study_tables(results).visits
    first = visits.iloc[0]
    assert list(zip(visits["subject"], visits["visit"], strict=True)) == [(one, two) for one, two, _ in VISITS]
    assert first["visit_date"] == pd.Timestamp(2026, 1, 5)
    assert (first["prosthetic_sides"], first["clips_done"], first["clips_failed"]) == ("right", 3, 1)
    assert (first["limits_sha256"], first["packages"]) == ("b" * 64, "mediapipe 0.10.31, numpy 2.4.6")
    # The fixture measures no speed: the value is missing, and the reason says so.
    assert np.isnan(first["speed_m_s"]) and pd.isna(first["aid"])
    assert "walking_speed: not among the metrics of this visit" in first["pace_reason"]


def test_speed_is_the_mean_of_both_limbs(results: Path) -> None:
    path = folder_of(results, "01", "01") / "visit.json"
    record = json.loads(path.read_text())
    for side, value in (("left", 1.1), ("right", 1.3)):
        record["metrics"].append(record["metrics"][0] | {"metric": "walking_speed", "side": side, "value": value})
    write_text(path, json.dumps(record))
    assert study_tables(results).visits["speed_m_s"].iloc[0] == pytest.approx(1.2)


def test_ids_that_look_like_numbers_stay_text(results: Path) -> None:
    assert set(study_tables(results).strides["subject"]) == {"01", "P2", "P10"}
    answer = query(results, "SELECT DISTINCT subject, visit FROM faults WHERE subject = '01'")
    assert rows(answer) == [("01", "01")]


def test_curves_are_those_saved_in_long_form(results: Path) -> None:
    tables = study_tables(results, curves=["knee_flexion_deg"])
    _, stored = load_parts(folder_of(results, "P2", "1"))
    curves = tables.curves[tables.curves["subject"] == "P2"]
    seen = np.isfinite(stored.curves["knee_flexion_deg"]).any(axis=1)
    assert list(curves["stride_id"][::101]) == list(stored.table["stride_id"][seen])
    assert list(curves["percent"][:101]) == list(range(101))
    np.testing.assert_array_equal(curves["value"], stored.curves["knee_flexion_deg"][seen].ravel())
    assert study_tables(results).curves.empty


def test_an_unknown_curve_is_named_with_the_known_ones(results: Path) -> None:
    with pytest.raises(ConfigError, match=r"^curve knee: is not known; expected one of knee_flexion_deg, "):
        study_tables(results, curves=["knee"])


@pytest.mark.parametrize(
    ("name", "spoil", "reason"),
    [
        ("strides.csv", lambda text: text[: len(text) // 2], "is empty or cut off: its last line has no end"),
        ("strides.csv", lambda text: "", "is empty or cut off: its last line has no end"),
        ("strides.csv", lambda text: text.replace("stride_id,", "id,", 1), "its columns are not those of this version"),
        ("strides.csv", lambda text: text + "P01,too,few\n", "row 38 has 3 cells"),
        ("strides.csv", lambda text: text.replace("True,1,0.8,", "True,1,0.8.3,", 1), "column start_s holds a cell"),
        ("metrics.csv", lambda text: text + '"no end\n', "is no CSV"),
        ("faults.csv", None, "no such file"),
        ("visit.json", lambda text: text[:500], "cannot be read"),
        ("visit.json", lambda text: text.replace('"P2"', '"P3"', 1), "it is the report of sub-P3/ses-1"),
        ("curves.npz", None, "no such file"),
    ],
)
def test_a_damaged_file_is_named_and_left_out(
    results: Path, name: str, spoil: Callable[[str], str] | None, reason: str
) -> None:
    whole = study_tables(results, curves=["knee_flexion_deg"]).by_name()
    path = folder_of(results, "P2", "1") / name
    if spoil is None:
        path.unlink()
    else:
        before = path.read_text()
        assert spoil(before) != before
        write_text(path, spoil(before))
    found = study_tables(results, curves=["knee_flexion_deg"]).by_name()
    losses = found.pop("losses")
    assert losses["file"].iloc[0] in (f"sub-P2/ses-1/{name}", "sub-P2/ses-1/curves.npz")
    assert losses["reason"][losses["file"] == f"sub-P2/ses-1/{name}"].iloc[0].startswith(reason)
    hit = {"visit": "visits"}.get(path.stem, path.stem)
    for table, frame in found.items():
        lost = table == hit or (table == "curves" and hit == "strides") or (table == "recorded" and hit == "visits")
        expected = whole[table][whole[table]["subject"] != "P2"] if lost else whole[table]
        assert_frame_equal(frame, expected.reset_index(drop=True))
    if hit in TABLES:
        with pytest.warns(LossWarning, match=rf"sub-P2/ses-1/{name}: {reason}"):
            answer = query(results, f"SELECT * FROM {hit}")
        assert rows(answer) == rows(found[hit])


def test_a_visit_without_results_has_the_reason_of_its_run(results: Path) -> None:
    write_text(folder_of(results, "P2", "2") / "error.txt", "clip a: the person is not seen.\n")
    folder_of(results, "P2", "3").mkdir()
    losses = study_tables(results).losses
    assert rows(losses) == [
        ("sub-P2/ses-2", "clip a: the person is not seen."),
        ("sub-P2/ses-3", "no saved results; run the study again into the same folder"),
    ]


def test_a_folder_without_visits_is_a_clear_error(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "none"):
        with pytest.raises(ConfigError, match=r"expected sub-\*/ses-\*/visit.json"):
            study_tables(folder)


def test_text_is_guarded_in_csv_alone(results: Path, tmp_path: Path) -> None:
    tables = study_tables(results)
    export_tables(tables, tmp_path / "csv")
    export_tables(tables, tmp_path / "parquet", file_format=TableFormat.parquet)
    for name, column in (("visits", "changes"), ("metrics", "reason")):
        assert FORMULA in set(tables.by_name()[name][column].dropna())
        assert FORMULA in set(query(results, f"SELECT {column} FROM {name}")[column].dropna())
        assert FORMULA in set(pd.read_parquet(tmp_path / f"parquet/{name}.parquet")[column].dropna())
        saved = set(pd.read_csv(tmp_path / f"csv/{name}.csv", dtype=str)[column].dropna())
        assert f"'{FORMULA}" in saved and FORMULA not in saved


def test_parquet_gives_the_frames_back(results: Path, tmp_path: Path) -> None:
    tables = study_tables(results, curves=["arm_angle_deg"])
    export_tables(tables, tmp_path / "out", file_format=TableFormat.parquet)
    for name, table in tables.by_name().items():
        assert_frame_equal(pd.read_parquet(tmp_path / f"out/{name}.parquet"), table, check_dtype=False)


def test_csv_gives_the_numbers_back(results: Path, tmp_path: Path) -> None:
    tables = study_tables(results)
    export_tables(tables, tmp_path / "out")
    for name in ("strides", "metrics"):
        back = pd.read_csv(tmp_path / f"out/{name}.csv", dtype=str, keep_default_na=False)
        for column in CONTRACTS[name]:
            if column.kind == "number":
                numbers = [float(cell) if cell else np.nan for cell in back[column.name]]
                np.testing.assert_array_equal(numbers, tables.by_name()[name][column.name])
    assert pd.read_csv(tmp_path / "out/visits.csv", dtype=str)["visit_date"].iloc[0] == "2026-01-05"


@pytest.mark.parametrize("file_format", list(TableFormat))
def test_the_same_results_give_the_same_bytes(results: Path, tmp_path: Path, file_format: TableFormat) -> None:
    once, again = (
        export_tables(study_tables(results), tmp_path / name, file_format=file_format) for name in ("once", "again")
    )
    assert [path.read_bytes() for path in once] == [path.read_bytes() for path in again]
    assert {path.name for path in (tmp_path / "once").iterdir()} == {path.name for path in once}


def test_the_dictionary_tells_every_column_and_every_metric(results: Path, tmp_path: Path) -> None:
    written = export_tables(study_tables(results, curves=["arm_angle_deg"]), tmp_path / "out")
    told = pd.read_csv(tmp_path / "out/dictionary.csv", dtype=str, keep_default_na=False)
    columns = told[told["of"] == ""].groupby("table")["column"].apply(set).to_dict()
    for path in written[:-1]:
        assert set(pd.read_csv(path, nrows=0).columns) == columns[path.stem], path.name
    assert (told["meaning"] != "").all()
    values = told[(told["table"] == "metrics") & (told["of"] != "")].set_index("of")
    assert list(values.index) == list(CATALOGUE)
    assert set(values["source"]) <= {*load_sources(), "definition"}
    assert all(values.loc[name, "unit"] == spec.unit for name, spec in CATALOGUE.items())
    numbers = dictionary()[dictionary()["kind"].isin(["number", "whole"])]
    assert (numbers["unit"] != "").all()


@pytest.mark.parametrize("name", TABLES)
def test_a_query_gives_the_rows_of_the_frame(results: Path, name: str) -> None:
    answer = query(results, f"SELECT * FROM {name}")
    frame = study_tables(results).by_name()[name]
    assert list(answer.columns) == list(frame.columns)
    assert rows(answer) == rows(frame)


def test_a_text_over_two_lines_stays_in_its_row(results: Path) -> None:
    path = folder_of(results, "P2", "1") / "metrics.csv"
    write_text(path, path.read_text().replace(f"'{FORMULA}", '"first\nsecond, ""third"""', 1))
    reason = "SELECT subject, reason FROM metrics WHERE reason LIKE 'first%'"
    assert rows(query(results, reason)) == [("P2", 'first\nsecond, "third"')]
    assert 'first\nsecond, "third"' in set(study_tables(results).metrics["reason"].dropna())


def test_the_examples_of_the_page_agree_in_sql_and_pandas(results: Path) -> None:
    text = PAGE.read_text(encoding="utf-8").split("## Three questions")[1]
    pairs = re.findall(r"```sql\n(.*?)```\n\n```python\n(.*?)```", text, re.DOTALL)
    assert len(pairs) == 3
    for sql, code in pairs:
        names: dict[str, Any] = {"tables": study_tables(results)}
        exec(code, names)
        asked = query(results, sql)
        assert len(asked) > 2
        assert list(asked.columns) == list(names["answer"].columns)
        assert rows(asked) == rows(names["answer"])


@pytest.mark.parametrize(
    ("sql", "message"),
    [
        ("SELECT * FROM read_csv('/etc/passwd')", "SQL: /etc/passwd may not be read; expected one SELECT"),
        ("SELECT * FROM read_text('/etc/passwd')", "SQL: /etc/passwd may not be read; expected one SELECT"),
        ("SELECT * FROM glob('/etc/*')", "SQL: /etc/* may not be read; expected one SELECT"),
        ("COPY (SELECT 1) TO 'out.csv'", "SQL: COPY found; expected one SELECT"),
        ("COPY strides TO 'out.csv'", "SQL: COPY found; expected one SELECT"),
        ("SELECT 1; COPY (SELECT 1) TO 'out.csv'", "SQL: SELECT and COPY found; expected one SELECT"),
        ("ATTACH 'out.db'", "SQL: ATTACH found; expected one SELECT"),
        ("SET enable_external_access = true", "SQL: SET found; expected one SELECT"),
        ("INSTALL httpfs", "SQL: LOAD found; expected one SELECT"),
        ("SELECT * FROM query('COPY (SELECT 1) TO ''out.csv''')", "SQL: Expected a single SELECT statement"),
        ("SELECT * FROM read_csv('https://example.org/a.csv')", "SQL: https://example.org/a.csv may not be read"),
        ("", "SQL: no statement found; expected one SELECT"),
    ],
)
def test_a_question_can_neither_read_other_files_nor_write(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sql: str, message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    before = sorted(path.as_posix() for path in tmp_path.rglob("*"))
    with pytest.raises(QueryError) as caught:
        query(results, sql)
    assert str(caught.value).startswith(message)
    assert sorted(path.as_posix() for path in tmp_path.rglob("*")) == before


def test_a_variable_of_the_caller_is_no_table(results: Path) -> None:
    secret = pd.DataFrame({"a": [1]})
    with pytest.raises(QueryError, match="Table with name secret does not exist"):
        query(results, "SELECT * FROM secret")
    assert len(secret) == 1


@pytest.mark.parametrize(
    ("sql", "found", "tables"),
    [
        ("SELECT sidee FROM strides", 'Referenced column "sidee" not found in FROM clause', {"strides"}),
        ("SELECT * FROM stride", "Table with name stride does not exist", set(TABLES)),
        ("SELEC 1", 'syntax error at or near "SELEC"', set(TABLES)),
        ("SELECT CAST(fault AS INT) FROM faults", "Could not convert string 'knee_instability'", {"faults"}),
    ],
)
def test_wrong_sql_names_the_tables_and_columns(results: Path, sql: str, found: str, tables: set[str]) -> None:
    with pytest.raises(QueryError) as caught:
        query(results, sql)
    first, *listed = str(caught.value).splitlines()
    assert first.startswith(f"SQL: {found}") and first.endswith("Tables and their columns:")
    assert {line.split(":")[0].strip() for line in listed} == tables
    assert all(
        line.split(": ")[1].split(", ") == [one.name for one in CONTRACTS[line.split(":")[0].strip()]]
        for line in listed
    )


@pytest.mark.parametrize("package", ["duckdb", "pyarrow"])
def test_a_missing_extra_names_the_command_that_installs_it(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, package: str
) -> None:
    tables = study_tables(results)
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(ConfigError) as caught:
        if package == "duckdb":
            query(results, "SELECT 1")
        else:
            export_tables(tables, tmp_path / "out", file_format=TableFormat.parquet)
    assert str(caught.value) == (
        f"package {package}: is not installed; it is part of the extra `study`. "
        "Install it: python -m pip install 'strideledger[study]'"
    )
    assert not (tmp_path / "out").exists()


def test_the_command_writes_the_tables_and_names_what_it_left_out(run: Run, results: Path, tmp_path: Path) -> None:
    names = ["visits", "recorded", "strides", "metrics", "findings", "faults", "corrections", "losses"]
    written = "".join(f"out/{name}.csv\n" for name in [*names, "dictionary"])
    assert run("tables", "results", "--out", "out") == (0, written, "")
    (folder_of(results, "P2", "1") / "faults.csv").unlink()
    code, output, told = run("tables", "results", "--out", "pq", "--format", "parquet", "--curve", "arm_angle_deg")
    assert (code, told) == (1, "left out: sub-P2/ses-1/faults.csv: no such file\n")
    assert output.splitlines()[-3:] == ["pq/curves.parquet", "pq/losses.parquet", "pq/dictionary.csv"]
    assert run("tables", "none", "--out", "out") == (
        2,
        "",
        "error: none: no such folder; expected sub-*/ses-*/visit.json. "
        "Give the folder that was given to `strideledger run --out`.\n",
    )


def test_the_benchmark_asks_its_questions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench_study_tables(visits=4, strides=20, out=tmp_path / "many")
    told = capsys.readouterr().out
    assert told.startswith("4 visits, 80 strides, ")
    assert told.endswith("both ways agree in 8 rows\n")
