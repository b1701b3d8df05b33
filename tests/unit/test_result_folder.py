"""A results folder is whole or absent, and what keeps it from being written is told beforehand."""

from collections.abc import Callable
from pathlib import Path

import pytest

from cgrisk.errors import RunFolderError
from cgrisk.report.result_folder import SEAL, check_free, check_seal, result_folder


def test_a_folder_gets_its_name_when_all_is_written(tmp_path: Path) -> None:
    place = tmp_path / "deep" / "results"
    with result_folder(place) as partial:
        (partial / "numbers.csv").write_text("1\n")
        assert not place.exists()
    assert {path.name for path in place.iterdir()} == {"numbers.csv", SEAL}
    assert [path.name for path in place.parent.iterdir()] == ["results"]


def test_nothing_is_left_of_a_folder_that_was_cut(tmp_path: Path) -> None:
    def cut() -> None:
        with result_folder(tmp_path / "results" / "out") as partial:
            (partial / "numbers.csv").write_text("1\n")
            raise KeyboardInterrupt("cut")

    with pytest.raises(KeyboardInterrupt, match="cut"):
        cut()
    assert list(tmp_path.iterdir()) == []


def test_checking_leaves_nothing_behind(tmp_path: Path) -> None:
    for name in ("out", "results/deep/out"):
        assert check_free(tmp_path / name) == tmp_path / name
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["file/out", "nul\0byte", "x" * 300], ids=["file", "nul", "long"])
def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("in the way\n")
    with pytest.raises(RunFolderError, match=r"can be written; got: .* Name another with --out"):
        check_free(tmp_path / name)


def test_a_folder_with_content_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way\n")
    with pytest.raises(RunFolderError, match="it has content"):
        check_free(tmp_path)


@pytest.fixture
def sealed(tmp_path: Path) -> Path:
    with result_folder(tmp_path / "out") as partial:
        (partial / "numbers.csv").write_text("1\n")
        (partial / "more.csv").write_text("2\n")
    return tmp_path / "out"


def test_what_was_written_is_under_the_seal(sealed: Path) -> None:
    (sealed / "later.txt").write_text("not of the results\n")
    assert set(check_seal(sealed)) == {"numbers.csv", "more.csv"}


def test_an_edit_is_noticed(sealed: Path) -> None:
    (sealed / "numbers.csv").write_text("9\n")
    with pytest.raises(RunFolderError, match=r"numbers\.csv: expected the file with SHA-256"):
        check_seal(sealed)


def test_a_missing_file_is_noticed(sealed: Path) -> None:
    (sealed / "more.csv").unlink()
    with pytest.raises(RunFolderError, match="got no such file"):
        check_seal(sealed)


@pytest.mark.parametrize(
    "edit, said",
    [
        (lambda text: text.replace("numbers.csv", "others.csv"), "was changed after it"),
        (lambda _: "{", "expected JSON"),
        (lambda text: text.replace('"format": 1', '"format": 9'), "expected format 1"),
    ],
    ids=["name", "no JSON", "format"],
)
def test_an_edited_seal_is_noticed(sealed: Path, edit: Callable[[str], str], said: str) -> None:
    path = sealed / SEAL
    path.write_text(edit(path.read_text()))
    with pytest.raises(RunFolderError, match=said):
        check_seal(sealed)


def test_a_folder_without_a_seal_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunFolderError, match=r"a seal\.json; got none that can be read"):
        check_seal(tmp_path)
