"""Two pages on one job: each sees the other's changes, and none is lost."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pypdfium2
import pytest

from tests.tracer.test_pattern import a_pattern
from tests.tracer.web.server import Running, running
from tracer.correct import record, undo
from tracer.pattern import load, save, write_text_whole
from tracer.refresh import save_changed


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Running, Path]]:
    save(a_pattern(), tmp_path)
    with running(tmp_path) as server:
        yield server, tmp_path


def rename(server: Running, name: str) -> int:
    return server.post("/api/change", do="rename", piece="p1", name=name).status_code


def test_a_waiting_page_hears_of_a_change(served: tuple[Running, Path]) -> None:
    server, _ = served
    first = server.client.get("/api/state").json()
    heard: list[str] = []

    def wait() -> None:
        state = server.client.get("/api/state", params={"since": first["revision"]}).json()
        heard.append(state["pattern"]["pieces"][0]["name"])

    waiting = threading.Thread(target=wait)
    waiting.start()
    time.sleep(0.2)
    assert rename(server, "Front") == 200
    waiting.join(timeout=5)
    assert heard == ["Front"]


def test_a_waiting_page_hears_of_a_command_in_a_terminal(served: tuple[Running, Path]) -> None:
    server, job = served
    assert rename(server, "Front") == 200
    revision = server.client.get("/api/state").json()["revision"]
    save_changed(undo(load(job)), job)
    state = server.client.get("/api/state", params={"since": revision}).json()
    assert state["revision"] != revision
    assert state["pattern"]["pieces"][0]["name"] == a_pattern().pieces[0].name


def test_changes_made_at_once_are_all_kept(served: tuple[Running, Path]) -> None:
    server, job = served
    counts = list(range(2, 22))
    done: list[int] = []

    def change(count: int) -> None:
        done.append(server.post("/api/change", do="cut", piece="p1", count=count).status_code)

    threads = [threading.Thread(target=change, args=(c,)) for c in counts]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert done == [200] * len(counts)
    history = load(job).history
    assert history is not None
    assert sorted(c["count"] for c in history.changes) == counts
    assert history.done == len(counts)


def test_everything_can_be_taken_back_and_done_again_after_a_restart(tmp_path: Path) -> None:
    save(a_pattern(), tmp_path)
    names = [f"Name {k}" for k in range(12)]
    with running(tmp_path) as server:
        assert [rename(server, n) for n in names] == [200] * 12
    with running(tmp_path) as server:
        for _ in names:
            assert server.post("/api/undo").status_code == 200
        assert server.post("/api/undo").status_code == 409
        assert load(tmp_path).pieces[0].name == a_pattern().pieces[0].name
    with running(tmp_path) as server:
        for _ in names:
            assert server.post("/api/redo").status_code == 200
        assert server.post("/api/redo").status_code == 409
    assert load(tmp_path).pieces[0].name == names[-1]


def test_an_entry_of_the_cut_list_is_not_overwritten_unseen(served: tuple[Running, Path]) -> None:
    server, job = served
    seen = server.client.get("/api/cut").json()
    was = seen["entries"][0]
    one = server.post("/api/cut", at=0, was=was, entry=was | {"count": 4})
    assert one.status_code == 200
    assert one.json()["made"][0]["count"] == 4
    other = server.post("/api/cut", at=0, was=was, entry=was | {"on": "lining"})
    assert other.status_code == 409
    assert other.json()["now"]["entries"][0]["count"] == 4
    assert load(job, name="cut.json").pieces[0].cut.count == 4


def test_trying_an_entry_keeps_nothing(served: tuple[Running, Path]) -> None:
    server, job = served
    was = server.client.get("/api/cut").json()["entries"][0]
    tried = server.client.post(
        "/api/cut", json={"at": 0, "was": was, "entry": was | {"allowance": {"all": "10mm"}}, "try": True}
    )
    assert tried.json()["made"][0]["width_mm"] > 110
    assert not (job / "cut.json").exists()
    assert not (job / "cut-list.toml").exists()


def test_an_entry_that_cannot_be_cut_says_why_and_keeps_nothing(served: tuple[Running, Path]) -> None:
    server, job = served
    was = server.client.get("/api/cut").json()["entries"][0]
    answer = server.post("/api/cut", at=0, was=was, entry=was | {"unfold": "no such edge"})
    assert answer.status_code == 200
    assert "no edge" in answer.json()["error"]
    assert not (job / "cut.json").exists()


@pytest.mark.parametrize("newer", ["cut-list.toml", "pattern.json"])
def test_a_server_ended_between_list_and_pieces_is_made_good_at_the_next_start(tmp_path: Path, newer: str) -> None:
    save(a_pattern(), tmp_path)
    with running(tmp_path) as server:
        was = server.client.get("/api/cut").json()["entries"][0]
        assert server.post("/api/cut", at=0, was=was, entry=was | {"count": 4}).status_code == 200
    before = (tmp_path / "cut.json").stat().st_mtime_ns
    with running(tmp_path):
        assert (tmp_path / "cut.json").stat().st_mtime_ns == before, "what is up to date is left alone"
    # What a kill leaves: one file of the next change, and nothing of the pieces that follow from it.
    if newer == "cut-list.toml":
        text = (tmp_path / newer).read_text().replace("count = 4", "count = 6")
        write_text_whole(tmp_path / newer, text)
    else:
        save(record(load(tmp_path), {"do": "move", "piece": "p1", "point": 1, "to": [1.0, 2.0]}), tmp_path)
    with running(tmp_path) as server:
        assert server.client.get("/api/state").status_code == 200
        made = load(tmp_path, name="cut.json").pieces[0]
    if newer == "cut-list.toml":
        assert made.cut.count == 6
    else:
        assert any(abs(s[0] - [1.0, 2.0]).max() < 1e-3 for s in made.outline.segments)


def test_pieces_as_cut_follow_a_corrected_outline(served: tuple[Running, Path]) -> None:
    server, job = served
    was = server.client.get("/api/cut").json()["entries"][0]
    assert server.post("/api/cut", at=0, was=was, entry=was).status_code == 200
    before = load(job, name="cut.json").pieces[0].outline.bounds.width
    state = server.client.get("/api/state").json()
    assert state["cut"]["made"]
    outline = load(job).pieces[0].outline
    corner = next(k for k, s in enumerate(outline.segments, 1) if abs(s[0] - [100, 0]).max() < 1e-6)
    assert server.post("/api/change", do="move", piece="p1", point=corner, to=[110, 0]).status_code == 200
    after = load(job, name="cut.json").pieces[0].outline.bounds.width
    assert after == pytest.approx(before + 10, abs=0.01)


def test_the_cut_list_follows_a_piece_to_its_new_name_and_back(served: tuple[Running, Path]) -> None:
    server, job = served
    was = server.client.get("/api/cut").json()["entries"][0]
    name = load(job).pieces[0].name
    assert server.post("/api/cut", at=0, was=was, entry=was | {"count": 7}).status_code == 200

    def in_force(name: str) -> None:
        shown = server.client.get("/api/cut").json()
        assert shown["error"] == ""
        assert [e["from"] for e in shown["entries"]] == [name]
        made = load(job, name="cut.json").pieces
        assert [(p.name, p.cut.count) for p in made] == [(name, 7)]

    for new in ("Yoke", "Back yoke"):
        assert server.post("/api/change", do="rename", piece="p1", name=new).status_code == 200
        in_force(new)
    server.post("/api/undo").raise_for_status()
    in_force("Yoke")
    server.post("/api/undo").raise_for_status()
    in_force(name)
    server.post("/api/redo").raise_for_status()
    in_force("Yoke")


@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_the_page_gives_the_target_to_print(
    served: tuple[Running, Path], tmp_path: Path, paper: str, points: tuple[int, int]
) -> None:
    """Sizes of paper in points: ISO 216 (210 x 297 mm) and ANSI/ASME Y14.1 (8.5 x 11 in)."""
    server, _ = served
    answer = server.client.get("/api/target", params={"paper": paper})
    assert answer.status_code == 200
    document = pypdfium2.PdfDocument(answer.content)
    assert [round(v) for v in sorted(document[0].get_size())] == sorted(points)
    document.close()
    assert server.client.get("/api/target", params={"paper": "../x"}).status_code == 422
