"""The viewer's server as a browser meets it: who gets in, what is answered, what windows tell each other."""

import json
import shutil
import threading
import time
from pathlib import Path

import httpx
import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus

from tests.scratch_project import Scratch, brought_in
from tests.viewer_window import Served, served

SAMPLE = Path(__file__).parents[2] / "sample_models" / "workshop"
PATH = [[0, 0, 3000], [2000, 0, 3000], [2000, 1500, 3000]]


@pytest.fixture
def project(scratch: Scratch):
    """A run that passes beside a duct, and one far away that overlaps nothing."""
    scratch.box("M-DUCT", (900, -400, 2700), (1100, 400, 2900))
    scratch.role("M-DUCT", "duct")
    scratch.run(PATH, "a", straps=[200, 1500, 2500])
    scratch.run([[0, 5000, 3000], [2000, 5000, 3000]], "b", straps=[200, 1800])
    scratch.write()
    return scratch.folder


@pytest.fixture
def server(project):
    with served(project) as running:
        yield running


def corners(server: Served, run_id: str) -> list[list[float]]:
    return next(run for run in server.review()["runs"] if run["id"] == run_id)["corners_m"]


def lowered(server: Served, by_m: float = 0.2) -> dict:
    """An edit that puts run a through the duct."""
    return {"run": "a", "corners_m": [[x, y, z - by_m] for x, y, z in corners(server, "a")]}


# --- who gets in ------------------------------------------------------------------------------------------------------


def test_the_token_becomes_a_cookie_that_scripts_cannot_read(server) -> None:
    answer = server.get(f"/?token={server.access.token}", cookie=None)
    assert answer.status_code == 303 and answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith(server.access.cookie) and "httponly" in cookie and "samesite=strict" in cookie
    assert server.get("/").status_code == 200


@pytest.mark.parametrize("path", ["/", "/?token=", "/?token=wrong", "/app.js", "/review.json", "/building.bin"])
def test_without_the_cookie_nothing_is_given_away(server, path) -> None:
    for cookie in (None, f"{server.access.cookie}=wrong", f"other={server.access.token}"):
        answer = server.get(path, cookie=cookie)
        assert answer.status_code == 403
        assert server.access.token not in answer.text


@pytest.mark.parametrize(
    "host", ["evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "192.0.2.7:{port}", "a@127.0.0.1:{port}", "", "[::1"]
)
def test_a_foreign_host_name_is_turned_away(server, host) -> None:
    answer = server.get("/", host=host.format(port=server.access.port))
    assert answer.status_code in (400, 421)


def test_the_names_of_this_machine_for_itself_are_known(server) -> None:
    for host in ("localhost", "127.0.0.1", "[::1]"):
        assert server.get("/", host=f"{host}:{server.access.port}").status_code == 200


def test_every_answer_carries_the_policy(server) -> None:
    for path in ("/", "/review.json", "/nothing", "/?token=wrong"):
        headers = server.get(path).headers
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; script-src 'self';")
        assert "frame-ancestors 'none'" in policy and f"ws://{server.host}" in policy
        assert "unsafe-eval" not in policy and "http:" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["cross-origin-opener-policy"] == "same-origin"
        assert "server" not in headers


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", None, "https://{host}"])
def test_a_socket_from_another_origin_is_closed(server, origin) -> None:
    given = None if origin is None else origin.format(host=server.host)
    with server.window(Origin=given) as window, pytest.raises(ConnectionClosed) as closed:
        window.hear("hello")
    assert closed.value.rcvd.code == 4401


def test_a_socket_without_the_cookie_is_closed(server) -> None:
    with server.window(Cookie=None) as window, pytest.raises(ConnectionClosed) as closed:
        window.hear("hello")
    assert closed.value.rcvd.code == 4401


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_nothing_can_be_posted(server, method) -> None:
    answer = httpx.request(method, server.url + "/", headers={"cookie": server.cookie}, trust_env=False)
    assert answer.status_code == 405


@pytest.mark.parametrize(
    "path",
    ["/../route3d.toml", "/..%2froute3d.toml", "/%2e%2e/route3d.toml", "/page/index.html", "/notes.md", "/app.js/",
     "//etc/passwd", "/etc/passwd", "/%00", "/app.js%00.css", "/..\\route3d.toml", "/index.html/../notes.md"],
)  # fmt: skip
def test_only_the_files_of_the_page_are_served(server, path) -> None:
    assert server.get(path).status_code == 404


# --- what is served ---------------------------------------------------------------------------------------------------


def test_page_and_payloads_have_tags_and_are_not_sent_twice(server) -> None:
    for path, kind in (("/", "text/html"), ("/app.js", "text/javascript"), ("/review.json", "application/json"),
                       ("/building.bin", "application/octet-stream")):  # fmt: skip
        first = server.get(path)
        assert first.status_code == 200 and first.headers["content-type"].startswith(kind)
        assert server.get(path, **{"if-none-match": first.headers["etag"]}).status_code == 304
    assert server.get("/favicon.ico").status_code == 204


def test_no_folder_of_the_machine_is_in_any_answer(server, project) -> None:
    texts = [server.get(path).text for path in ("/", "/review.json", "/nothing", "/?token=wrong")]
    texts.append(server.get("/building.bin").content.decode("latin-1"))
    with server.window() as window:
        window.hear("hello")
        window.ask("draft", edits=[lowered(server)])
        (project / "route3d.toml").write_text("broken = [", encoding="utf-8")
        failed = window.ask("reload")
        assert failed["say"] == "failed" and "route3d.toml" in failed["why"]
        failed = window.ask("save")
        assert failed["say"] == "failed"
        texts += [json.dumps(message) for message in window.heard]
    for text in texts:
        assert str(project) not in text and str(project.parent) not in text


# --- drafts -----------------------------------------------------------------------------------------------------------


def test_a_draft_is_checked_and_taken_back(server) -> None:
    before = corners(server, "a")
    with server.window() as window:
        hello = window.hear("hello")
        assert hello["editable"] and hello["drafts"] is None and hello["unsaved"] == 0
        told = window.ask("draft", edits=[lowered(server)])
        assert told["say"] == "checked" and told["unsaved"] == 1 and told["revision"] == hello["revision"] + 1
        clash = next(f for f in told["findings"] if f["check"] == "clash")
        assert clash["gap_line_m"] and told["chains"][clash["id"]]
        moved = next(run for run in told["runs"] if run["id"] == "a")
        assert moved["verdict"] == "fail" and moved["changed"]
        whole = server.review()
        assert whole["revision"] == told["revision"]
        assert clash["id"] in {f["id"] for f in whole["findings"]}
        back = window.ask("draft", edits=[{"run": "a", "corners_m": before}])
        assert clash["id"] in back["findings_gone"] and back["unsaved"] == 0
        again = window.ask("draft", edits=[lowered(server)])
        assert next(f["number"] for f in again["findings"] if f["id"] == clash["id"]) == clash["number"]


def test_a_run_is_added_deleted_and_forgotten(server) -> None:
    with server.window() as window:
        new = {"run": "new-1", "corners_m": [[0, 0, 3], [1, 0, 3]], "cable": "mc", "added": True}
        told = window.ask("draft", edits=[new, {"run": "b", "deleted": True}])
        assert [run["id"] for run in told["runs"] if run.get("added")] == ["new-1"]
        assert told["runs_gone"] == ["b"] and told["unsaved"] == 2
        told = window.ask("draft", edits=[{"run": "new-1", "deleted": True}, {"run": "b", "deleted": False}])
        assert told["runs_gone"] == ["new-1"] and [run["id"] for run in told["runs"]] == ["b"]
        assert told["unsaved"] == 0


def test_a_page_opened_anew_is_told_what_is_drafted_and_how_it_was(server) -> None:
    before, edit = corners(server, "a"), lowered(server)
    with server.window() as window:
        assert server.review()["drafts"] == []
        window.ask("draft", edits=[edit])
        (draft,) = server.review()["drafts"]
        assert draft["before"]["corners_m"] == before and draft["after"]["corners_m"] == edit["corners_m"]
        assert window.ask("draft", edits=[draft["before"]])["unsaved"] == 0
        assert server.review()["drafts"] == []


def test_what_was_saved_is_taken_back_as_a_new_change(server, project) -> None:
    before = corners(server, "a")
    text = (project / "route3d.toml").read_text(encoding="utf-8")
    with server.window() as window:
        clash = next(f["id"] for f in window.ask("draft", edits=[lowered(server)])["findings"] if f["check"] == "clash")
        window.ask("save")
        window.hear("review-changed")
        told = window.ask("draft", edits=[{"run": "a", "corners_m": before}])
        assert told["unsaved"] == 1 and clash in told["findings_gone"]
        window.ask("save")
        window.hear("review-changed")
    assert (project / "route3d.toml").read_text(encoding="utf-8") == text


def test_the_distance_between_two_things_is_that_of_their_surfaces(server) -> None:
    header = server.get("/building.bin").content
    elements = json.loads(header[4 : 4 + int.from_bytes(header[:4], "little")])["elements"]
    duct = next(element["id"] for element in elements if element["role"] == "duct")
    radius = next(run for run in server.review()["runs"] if run["id"] == "a")["radius_m"]
    with server.window() as window:
        # the run at 3.0 m, the top of the duct at 2.9 m
        told = window.ask("distance", **{"from": {"run": "a"}, "to": {"element": duct}})
        assert told["say"] == "distance" and told["gap_m"] == pytest.approx(0.1 - radius, abs=1e-9)
        assert told["from_m"][2] - told["to_m"][2] == pytest.approx(0.1 - radius, abs=1e-6)
        back = window.ask("distance", **{"from": {"element": duct}, "to": {"run": "a"}})
        assert back["gap_m"] == pytest.approx(told["gap_m"]) and back["from_m"] == told["to_m"]
        runs = window.ask("distance", **{"from": {"run": "a"}, "to": {"run": "b"}})
        assert runs["gap_m"] == pytest.approx(3.5 - 2 * radius, abs=1e-6)
        for wrong in (None, {"run": "gone"}, {"element": []}, "a"):
            assert "that are there" in window.ask("distance", **{"from": wrong, "to": {"run": "a"}})["why"]


def test_a_strap_beyond_a_shortened_end_is_left_out_and_comes_back(server) -> None:
    before = corners(server, "b")
    shorter = [before[0], [before[1][0] - 1.0, *before[1][1:]]]
    with server.window() as window:
        told = window.ask("draft", edits=[{"run": "b", "corners_m": shorter}])
        assert told["say"] == "checked" and "beyond the end" in told["notes"][0]
        assert next(r for r in told["runs"] if r["id"] == "b")["straps_at_m"] == [0.2]
        told = window.ask("draft", edits=[{"run": "b", "corners_m": before}])
        assert told["notes"] == [] and told["unsaved"] == 0
        assert next(r for r in told["runs"] if r["id"] == "b")["straps_at_m"] == [0.2, 1.8]


def test_a_strap_beyond_a_shortened_end_is_gone_after_saving_and_the_project_can_be_read(server, project) -> None:
    before = corners(server, "b")
    with server.window() as window:
        window.ask("draft", edits=[{"run": "b", "corners_m": [before[0], [before[1][0] - 1.0, *before[1][1:]]]}])
        saved = window.ask("save")
        assert saved["say"] == "saved" and "beyond the end" in saved["notes"][0]
        window.hear("review-changed")
        assert next(r for r in server.review()["runs"] if r["id"] == "b")["straps_at_m"] == [0.2]


def test_the_origin_stays_when_a_run_moves_far_and_files_are_read_again(server) -> None:
    before = server.review()["origin_m"]
    with server.window() as window:
        window.ask("draft", edits=[{"run": "b", "corners_m": [[40, 40, 3], [42, 40, 3]]}])
        assert window.ask("save")["say"] == "saved"
        window.hear("review-changed")
    whole = server.review()
    assert whole["origin_m"] == before
    assert next(r for r in whole["runs"] if r["id"] == "b")["corners_m"] == [[40, 40, 3], [42, 40, 3]]


def test_the_chain_of_one_finding_can_be_asked_for(server) -> None:
    whole = server.review()
    finding = whole["findings"][0]["id"]
    assert server.get(f"/chain.json?finding={finding}").json() == whole["chains"][finding]
    assert server.get("/chain.json?finding=nothing").status_code == 404
    assert server.get("/chain.json").status_code == 404
    assert server.get(f"/chain.json?finding={finding}", cookie=None).status_code == 403


WRONG = [
    "no json", "[1]", '"text"', "", "{", '{"do":"dance","seq":1}', '{"do":["draft"],"seq":1}', "[" * 5_000,
    '{"do":"draft","seq":1}', '{"do":"draft","seq":{},"edits":[]}', '{"do":"draft","seq":1,"edits":[]}',
    '{"do":"draft","seq":1,"edits":[7]}', '{"do":"draft","seq":1,"edits":[{"run":"nowhere","straps_at_m":[1]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","colour":"red"}]}', '{"do":"draft","seq":1,"edits":[{"run":7}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[[0,0,NaN],[1,1,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[[0,0,1e999],[1,1,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[[0,0,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[[0,0,1],[0,0,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[[0,0],[1,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[[0,0,0],[1,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":"abc"}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[[true,0,0],[1,1,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[["0","0","0"],["1","1","1"]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","corners_m":[[0,0,0],[1e300,1,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","straps_at_m":[-1]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","straps_at_m":[[1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","start":"roof"}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","cable":"rope"}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","deleted":"yes"}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"a","added":true,"corners_m":[[0,0,0],[1,1,1]],"cable":"mc"}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"c","added":true,"corners_m":[[0,0,0],[1,1,1]]}]}',
    '{"do":"draft","seq":1,"edits":[{"run":"c","added":true,"cable":"mc"}]}',
    '{"do":"save","seq":1}', '{"do":"take-drafts","seq":1}', '{"do":"select","finding":7}',
    '{"do":"select","camera":[1]}', json.dumps({"do": "select", "run": "x" * 5_000}), "x" * 1_000_001,
    '{"do":"draft","seq":1,"edits":[' + '{"run":"a"},' * 5_001 + '{"run":"a"}]}',
    json.dumps({"do": "draft", "seq": 1, "edits": [{"run": "a", "corners_m": [[0, 0, k] for k in range(5_001)]}]}),
]  # fmt: skip


def test_whatever_is_wrong_gets_an_answer_and_the_socket_stays_open(server) -> None:
    with server.window() as window:
        window.hear("hello")
        for text in WRONG:
            window.socket.send(text)
            answer = json.loads(window.socket.recv(timeout=10))
            assert answer["say"] == "failed", text[:100]
            assert answer["why"] and "Traceback" not in answer["why"] and len(answer["why"]) < 500
        window.socket.send(b"\x00\x01")
        assert json.loads(window.socket.recv(timeout=10))["say"] == "failed"
        assert window.ask("draft", edits=[lowered(server)])["say"] == "checked"


def test_a_flood_closes_the_socket_and_no_other(server) -> None:
    with server.window() as other:
        other.hear("hello")
        with server.window() as window:
            window.hear("hello")
            window.socket.send("x" * 17_000_000)
            with pytest.raises(ConnectionClosed):
                window.hear("never")
        assert other.ask("draft", edits=[lowered(server)])["say"] == "checked"


# --- several windows --------------------------------------------------------------------------------------------------


def test_a_second_window_follows_the_first(server) -> None:
    with server.window() as one, server.window() as two:
        one.hear("hello"), two.hear("hello")
        one.tell({"do": "select", "finding": None, "run": "a", "element": None, "camera": {"eye_m": [1, 2, 3]}})
        followed = two.hear("selected")
        assert followed["run"] == "a" and followed["camera"] == {"eye_m": [1, 2, 3]}
        mine = one.ask("draft", edits=[lowered(server)])
        theirs = two.hear("checked")
        assert theirs["seq"] is None and theirs["revision"] == mine["revision"]
        assert theirs["findings"] == mine["findings"] and theirs["runs"] == mine["runs"]
        assert not any(message["say"] == "selected" for message in one.heard)


def test_many_windows_drafting_at_once_end_in_one_state(server) -> None:
    before = corners(server, "a")
    answers: list[dict] = []

    def drag(step_m: float) -> None:
        with server.window() as window:
            for k in range(8):
                moved = [[x, y + step_m * k, z] for x, y, z in before]
                answers.append(window.ask("draft", edits=[{"run": "a", "corners_m": moved}]))

    threads = [threading.Thread(target=drag, args=(step,)) for step in (0.01, -0.01, 0.02)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(answers) == 24 and all(answer["say"] == "checked" for answer in answers)
    whole = server.review()
    assert whole["revision"] == max(answer["revision"] for answer in answers)
    last = [a for a in answers if a["revision"] == whole["revision"]]
    run = next(r for r in whole["runs"] if r["id"] == "a")
    assert any(r["corners_m"] == run["corners_m"] for a in last for r in a["runs"])


def test_drafts_that_come_faster_than_checks_are_checked_together(server) -> None:
    with server.window() as window:
        window.hear("hello")
        path = corners(server, "a")
        for seq in range(40):
            moved = [[x, y, z - 0.001 * seq] for x, y, z in path]
            window.tell({"do": "draft", "seq": seq, "edits": [{"run": "a", "corners_m": moved}]})
        told = window.hear("checked", seq=39)
        assert told["runs"][0]["corners_m"][0][2] == pytest.approx(path[0][2] - 0.039)
        assert sum(message["say"] == "checked" for message in window.heard) < 40


# --- read-only --------------------------------------------------------------------------------------------------------


def test_others_on_the_network_look_and_do_not_touch(project, monkeypatch) -> None:
    monkeypatch.setattr("route3d.viewer.access.is_loopback", lambda host: False)
    with served(project, host="0.0.0.0") as server, server.window() as window, server.window() as other:
        assert server.review()["editable"] is False and "drafts" not in server.review()
        hello = window.hear("hello")
        assert hello["editable"] is False and "read-only" in hello["why_not_editable"]
        for do in ("draft", "save", "take-drafts", "drop-drafts", "reload"):
            assert "read-only" in window.ask(do, edits=[lowered(server)])["why"]
        assert window.ask("distance", **{"from": {"run": "a"}, "to": {"run": "b"}})["say"] == "distance"
        window.tell({"do": "select", "run": "a"})
        window.ask("save")
        assert [m["say"] for m in other.heard] == []
        other.hear("hello")
        with pytest.raises(TimeoutError):
            other.socket.recv(timeout=0.2)
    assert not (project / ".route3d-drafts").exists()


def test_with_edit_they_may(project, monkeypatch) -> None:
    monkeypatch.setattr("route3d.viewer.access.is_loopback", lambda host: False)
    with served(project, host="0.0.0.0", edit=True) as server, server.window() as window:
        assert window.hear("hello")["editable"] is True
        assert window.ask("draft", edits=[lowered(server)])["say"] == "checked"


def test_what_goes_over_the_network_is_packed(project, monkeypatch) -> None:
    monkeypatch.setattr("route3d.viewer.server.is_loopback", lambda host: False)
    with served(project) as server:
        for path in ("/review.json", "/building.bin"):
            packed, plain = server.get(path), server.get(path, **{"accept-encoding": "identity"})
            assert packed.headers["content-encoding"] == "gzip" and "content-encoding" not in plain.headers
            assert packed.content == plain.content


# --- saving, and files that change ------------------------------------------------------------------------------------


def test_saving_writes_the_project_and_reads_it_again(server, project) -> None:
    (project / "route3d.toml").write_text(
        "# kept by hand\n" + (project / "route3d.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    with server.window() as window, server.window() as other:
        other.hear("hello")
        window.tell({"do": "reload", "seq": 1})
        window.hear("review-changed"), other.hear("review-changed")
        edit = lowered(server)
        window.ask("draft", edits=[edit])
        saved = window.ask("save")
        assert saved["say"] == "saved", saved
        assert saved["files"] == ["route3d.toml"] and saved["unsaved"] == 0
        changed = window.hear("review-changed")
        assert other.hear("saved")["seq"] is None and other.hear("review-changed")["revision"] == changed["revision"]
        text = (project / "route3d.toml").read_text(encoding="utf-8")
        assert text.startswith("# kept by hand") and "2800" in text
        whole = server.review()
        assert whole["revision"] == changed["revision"]
        run = next(r for r in whole["runs"] if r["id"] == "a")
        assert run["verdict"] == "fail" and "changed" not in run
        assert window.ask("save")["why"] == "there is nothing to save"


def test_saving_over_a_file_that_somebody_changed_is_refused_and_the_draft_stays(server, project) -> None:
    with server.window() as window:
        window.ask("draft", edits=[lowered(server)])
        path = project / "route3d.toml"
        path.write_text(path.read_text(encoding="utf-8") + "\n# by somebody else\n", encoding="utf-8")
        failed = window.ask("save")
        assert failed["say"] == "failed" and "route3d.toml" in failed["why"]
        assert "# by somebody else" in path.read_text(encoding="utf-8")
        told = window.hear("input-changed")
        assert told["files"] == ["route3d.toml"]
        window.tell({"do": "reload", "seq": 1})
        window.hear("review-changed")
        assert window.ask("save")["say"] == "saved"


def test_a_drawing_that_changes_is_noticed_and_read_again_when_asked(server, project) -> None:
    with server.window() as window:
        window.ask("draft", edits=[lowered(server)])  # with a draft in force nothing is read without being asked
        drawing = project / "model.dxf"
        text = drawing.read_text(encoding="utf-8")
        time.sleep(0.3)
        drawing.write_text(text + "\n", encoding="utf-8")
        assert window.hear("input-changed")["files"] == ["model.dxf"]
        with server.window() as late:
            assert late.hear("hello")["input_changed"] == ["model.dxf"]
        drawing.write_text(text, encoding="utf-8")
        assert window.hear("input-changed")["files"] == []
        window.tell({"do": "reload", "seq": 5})
        assert window.hear("review-changed")["revision"] > 1


def test_without_drafts_changed_files_are_read_anew_by_themselves(server, project) -> None:
    with server.window() as window:
        path = project / "route3d.toml"
        text = path.read_text(encoding="utf-8")
        path.write_text(text[: text.index("path =") + 12], encoding="utf-8")  # half of it is written
        assert window.hear("input-changed")["files"] == ["route3d.toml"]
        time.sleep(0.7)
        path.write_text(text.replace("3000]", "3020]"), encoding="utf-8")
        window.hear("review-changed")
        assert [m for m in window.heard if m["say"] == "failed"] == []
        assert corners(server, "b")[0][2] - corners(server, "a")[0][2] == pytest.approx(0.0)
        assert server.desk.opened.checked.job.runs[0].corners_m[0][2] == pytest.approx(3.02)


def test_a_file_that_stays_broken_is_told_and_what_was_read_stays(server, project, monkeypatch) -> None:
    monkeypatch.setattr("route3d.viewer.windows._PATIENCE_S", 0.5)
    with server.window() as window:
        (project / "route3d.toml").write_text("broken = [", encoding="utf-8")
        failed = window.hear("failed")
        assert failed["seq"] is None and "route3d.toml" in failed["why"]
        assert len(server.review()["runs"]) == 2


def test_files_that_drawings_bring_in_are_watched_too(scratch) -> None:
    brought_in(scratch)
    with served(scratch.folder) as server, server.window() as window:
        watched = set(server.desk.opened.watched)
        assert {"route3d.toml", "host.dxf", "level/frame.dxf", "town.toml", "rules/county.toml", "plate.gltf",
                "plate.bin"} <= watched  # fmt: skip
        window.hear("hello")
        for name in ("level/frame.dxf", "plate.bin", "rules/county.toml"):
            path = scratch.folder / name
            window.ask("draft", edits=[{"run": "a", "straps_at_m": [0.25, 0.7]}])
            raw = path.read_bytes()
            path.write_bytes(raw + b"\n")
            assert window.hear("input-changed")["files"] == [name]
            path.write_bytes(raw)
            assert window.hear("input-changed")["files"] == []


def test_drafts_stay_in_force_when_files_are_read_again(server, project) -> None:
    with server.window() as window:
        window.ask("draft", edits=[lowered(server), {"run": "b", "straps_at_m": [0.3]}])
        path = project / "route3d.toml"
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace('id = "b"', 'id = "c"'), encoding="utf-8")
        window.tell({"do": "reload", "seq": 5})
        changed = window.hear("review-changed")
        assert changed["unsaved"] == 1 and "there is no run b" in changed["notes"][0]
        assert {run["id"] for run in server.review()["runs"]} == {"a", "c"}
        assert next(r for r in server.review()["runs"] if r["id"] == "a")["verdict"] == "fail"


def test_a_refused_handshake_says_nothing_of_the_server(server) -> None:
    with pytest.raises(InvalidStatus), server.window(Host="evil.example") as window:
        window.hear("hello")


@pytest.fixture
def sample(tmp_path):
    shutil.copytree(SAMPLE, tmp_path / "sample", ignore=shutil.ignore_patterns(".route3d-*"))
    with served(tmp_path / "sample") as running:
        yield running


def test_a_run_drawn_in_cad_is_moved_and_saved_as_a_new_drawing_beside_the_old(sample, tmp_path) -> None:
    whole = sample.review()
    run = next(r for r in whole["runs"] if r["source"] == "drawing" and r["verdict"] == "pass" and len(r["bends"]) > 1)
    moved = [[x, y, z - 0.05 * (0 < k < len(run["corners_m"]) - 1)] for k, (x, y, z) in enumerate(run["corners_m"])]
    before = (tmp_path / "sample" / "routes.dxf").read_bytes()
    with sample.window() as window:
        told = window.ask("draft", edits=[{"run": run["id"], "corners_m": moved}])
        assert told["say"] == "checked" and told["unsaved"] == 1, told
        checked = next(r for r in told["runs"] if r["id"] == run["id"])
        saved = window.ask("save")
        assert saved["say"] == "saved", saved
        assert "routes-edited.dxf" in saved["files"] and "route3d.toml" in saved["files"]
        window.hear("review-changed")
    assert (tmp_path / "sample" / "routes.dxf").read_bytes() == before
    after = next(r for r in sample.review()["runs"] if r["id"] == run["id"])
    # the drawing keeps hundredths of a millimetre at least
    assert after["length_m"] == pytest.approx(checked["length_m"], abs=1e-4)
    assert after["verdict"] == checked["verdict"]
    for mine, theirs in zip(after["corners_m"], moved, strict=True):
        assert mine == pytest.approx(theirs, abs=1e-5)
    with sample.window() as window:
        told = window.ask("draft", edits=[{"run": run["id"], "corners_m": run["corners_m"]}])
        assert told["say"] == "checked" and told["unsaved"] == 1, "what was saved is taken back as a new change"


def test_what_is_shown_while_drafting_is_what_a_check_from_nothing_says(sample) -> None:
    """Twelve edits one after another; the page that merged all answers shows what a new page loads."""
    shown = {run["id"]: run for run in sample.review()["runs"]}
    findings = {f["id"]: f for f in sample.review()["findings"]}
    with sample.window() as window:
        for k, run in enumerate(list(shown.values())[:12]):
            path = [[x + 0.01 * k, y - 0.02 * k, z] for x, y, z in run["corners_m"]]
            told = window.ask("draft", edits=[{"run": run["id"], "corners_m": path}])
            assert told["say"] == "checked"
            shown |= {one["id"]: one for one in told["runs"]}
            for name in told["findings_gone"]:
                del findings[name]
            findings |= {one["id"]: one for one in told["findings"]}
    whole = sample.review()
    assert whole["summary"] == told["summary"]
    marks = {"changed"}
    assert {r["id"]: {k: v for k, v in r.items() if k not in marks} for r in whole["runs"]} == {
        name: {k: v for k, v in r.items() if k not in marks} for name, r in shown.items()
    }
    assert {f["id"]: f for f in whole["findings"]} == findings


def test_a_long_check_does_not_keep_other_windows_waiting(server, monkeypatch) -> None:
    check = server.desk.check
    begun = threading.Event()

    def slow(names):
        begun.set()
        time.sleep(1.5)
        return check(names)

    monkeypatch.setattr(server.desk, "check", slow)
    with server.window() as window, server.window() as other:
        other.hear("hello")
        window.tell({"do": "draft", "seq": 1, "edits": [lowered(server)]})
        assert begun.wait(10)
        started = time.monotonic()
        assert server.get("/").status_code == 200 and server.get("/review.json").status_code == 200
        window.tell({"do": "select", "run": "a"})
        other.hear("selected")
        assert time.monotonic() - started < 1.4
        assert window.hear("checked")["seq"] == 1


def test_a_window_that_asks_for_more_than_can_be_done_is_told(server, monkeypatch) -> None:
    check = server.desk.check
    begun, go_on = threading.Event(), threading.Event()

    def slow(names):
        begun.set()
        assert go_on.wait(30)
        return check(names)

    monkeypatch.setattr(server.desk, "check", slow)
    monkeypatch.setattr("route3d.viewer.windows._ASKED_MAX", 2)
    with server.window() as window:
        window.tell({"do": "draft", "seq": 1, "edits": [lowered(server)]})
        assert begun.wait(10)
        for seq in range(2, 6):
            window.tell({"do": "reload", "seq": seq})
        told = [window.hear("failed") for _ in range(2)]
        go_on.set()
        assert [one["seq"] for one in told] == [4, 5]
        assert "more is asked" in told[0]["why"]
        assert window.hear("checked")["seq"] == 1
