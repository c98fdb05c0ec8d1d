"""Reports on the command line: HTML, PDF, and the inspection report with what a person saw."""

from pathlib import Path

import pytest

from bench import cli

Captured = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with one short run."""
    file = str(tmp_path_factory.mktemp("records") / "records.sqlite")
    inspect = ["inspect", "tandem-53ft", "--board", "sim:", "--only", "self-check,supply", "--unit-number", "TR-117"]
    assert cli.run([*inspect, "--record", file]) == 0
    return file


def report(record: str, out: Path, *more: str) -> int:
    return cli.run(["report", "last", "--record", record, "--out", str(out), *more])


def test_a_pdf_is_a_pdf(record: str, tmp_path: Path) -> None:
    assert report(record, tmp_path / "report.pdf", "--paper", "a4") == 0
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF-")


def test_what_a_person_saw_stays_with_the_record(record: str, tmp_path: Path) -> None:
    seen, page = tmp_path / "seen.yaml", tmp_path / "report.html"
    seen.write_text("inspector: A. Fitter\ntires: 'fail: cord shows'\nframe: pass\n")

    assert report(record, page, "--inspection", str(seen)) == 0
    seen.unlink()
    assert report(record, page) == 0
    assert "cord shows" in page.read_text()
    assert page.read_text().count("seen by A. Fitter") == 2
    assert cli.run(["records", "verify", "--record", record]) == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("tyres: pass\n", "nothing is called 'tyres'"),
        ("tires: fine\n", "tires: say one of pass, fail, not-applicable"),
        ("- pass\n", "seen.yaml"),
    ],
)
def test_a_wrong_inspection_file_is_refused_and_changes_nothing(
    text: str, words: str, record: str, tmp_path: Path, capsys: Captured
) -> None:
    seen, page = tmp_path / "seen.yaml", tmp_path / "report.html"
    seen.write_text(text)

    assert report(record, page, "--inspection", str(seen)) == 64
    assert words in capsys.readouterr().err
    assert not page.exists()


def test_a_report_of_another_kind_is_refused_before_anything_is_powered(tmp_path: Path, capsys: Captured) -> None:
    inspect = ["inspect", "tandem-53ft", "--board", "sim:", "--report", str(tmp_path / "report.docx")]

    assert cli.run(inspect) == 64
    assert "a report is an .html or a .pdf file" in capsys.readouterr().err
