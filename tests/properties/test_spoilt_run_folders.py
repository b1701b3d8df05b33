"""A run's folder changed or torn at random: an answer or a refusal, and nothing written outside."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz_cases import torn_bytes
from tests.fuzz_runs import (
    COMMANDS,
    carried_out,
    files_of,
    place_of,
    with_other_content,
    with_other_manifest,
)
from tests.run_cases import quickly, spoil_kind

#: A share of the profile's examples: each carries a command out, which takes up to half a second.
few = settings(
    max_examples=settings().max_examples // 25,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture
def made(small_runs: Path) -> Path:
    return small_runs


@pytest.fixture(autouse=True)
def loud(monkeypatch: pytest.MonkeyPatch) -> None:
    quickly(monkeypatch)


@few
@given(data=st.data(), command=st.sampled_from(COMMANDS))
def test_torn_files_are_noticed(
    made: Path, tmp_path: Path, data: st.DataObject, command: str
) -> None:
    run = place_of(made, tmp_path, "whole")
    name = data.draw(st.sampled_from(files_of(run)))
    old = (run / name).read_bytes()
    new = data.draw(torn_bytes(old))
    (run / name).write_bytes(new)
    status = carried_out(command, run, made)
    covered = name in json.loads((made / "whole" / "manifest.json").read_text())["files"]
    if command != "resume" and covered:
        assert (status == 0) == (new == old)
    if command == "resume" and status == 0:
        for path in (made / "whole" / "blocks").iterdir():
            assert (run / "blocks" / path.name).read_bytes() == path.read_bytes()


@few
@given(
    data=st.data(),
    how=st.sampled_from(["gone", "folder", "pipe", "link", "loop", "dangling"]),
    command=st.sampled_from(COMMANDS),
    what=st.sampled_from(["whole", "cut"]),
)
def test_what_is_no_file_or_a_link_is_refused(
    made: Path, tmp_path: Path, data: st.DataObject, how: str, command: str, what: str
) -> None:
    run = place_of(made, tmp_path, what)
    names = [*files_of(run), "blocks", "samples", "summaries", "charts", ".lock-owner", ".lock"]
    names += ["manifest.json.partial", "blocks/00000000.segment.partial", "inputs.json.partial"]
    name = data.draw(st.sampled_from(names))
    (run / name).parent.mkdir(exist_ok=True)
    folder = name in ("blocks", "samples", "summaries", "charts")
    spoil_kind(run / name, how, outside=run.parent / ("other" if folder else "outside"))
    status = carried_out(command, run, made)
    if command == "resume" and status == 0:
        for path in (made / "whole" / "blocks").iterdir():
            assert (run / "blocks" / path.name).read_bytes() == path.read_bytes()


@few
@given(data=st.data(), command=st.sampled_from(COMMANDS))
def test_a_manifest_sealed_anew_is_answered_or_refused(
    made: Path, tmp_path: Path, data: st.DataObject, command: str
) -> None:
    run = with_other_manifest(data.draw, made, tmp_path)
    carried_out(command, run, made)


@few
@given(data=st.data(), command=st.sampled_from(COMMANDS))
def test_other_content_under_right_hashes_is_answered_or_refused(
    made: Path, tmp_path: Path, data: st.DataObject, command: str
) -> None:
    run = place_of(made, tmp_path, "whole")
    with_other_content(data.draw, run)
    carried_out(command, run, made)


@few
@given(data=st.data())
def test_a_cut_run_is_taken_up_to_the_bit_or_refused(
    made: Path, tmp_path: Path, data: st.DataObject
) -> None:
    run = place_of(made, tmp_path, "cut")
    for name in data.draw(st.lists(st.sampled_from(files_of(run)), min_size=1, unique=True)):
        if data.draw(st.booleans()):
            (run / name).write_bytes(data.draw(torn_bytes((run / name).read_bytes())))
        else:
            (run / name).unlink()
    if carried_out("resume", run, made) == 0:
        for kind in ("blocks", "samples"):
            for path in (made / "whole" / kind).iterdir():
                assert (run / kind / path.name).read_bytes() == path.read_bytes()
