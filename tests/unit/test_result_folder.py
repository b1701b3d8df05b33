"""A results folder is whole or absent, and what keeps it from being written is told beforehand."""

from pathlib import Path

import pytest

from cgrisk.errors import RunFolderError
from cgrisk.report.result_folder import check_free, result_folder


def test_a_folder_gets_its_name_when_all_is_written(tmp_path: Path) -> None:
    place = tmp_path / "deep" / "results"
    with result_folder(place) as partial:
        (partial / "numbers.csv").write_text("1\n")
        assert not place.exists()
    assert [path.name for path in place.iterdir()] == ["numbers.csv"]
    assert [path.name for path in place.parent.iterdir()] == ["results"]


def test_nothing_is_left_of_a_folder_that_was_cut(tmp_path: Path) -> None:
    def cut_while_writing() -> None:
        with result_folder(tmp_path / "out") as partial:
            (partial / "numbers.csv").write_text("1\n")
            raise KeyboardInterrupt("cut")

    with pytest.raises(KeyboardInterrupt, match="cut"):
        cut_while_writing()
    assert list(tmp_path.iterdir()) == []


def test_checking_leaves_nothing_behind(tmp_path: Path) -> None:
    assert check_free(tmp_path / "out") == tmp_path / "out"
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
