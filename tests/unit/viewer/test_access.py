"""Names, tokens and folders: who is known, and what is kept back."""

from pathlib import Path

import pytest

from route3d.errors import Route3DError
from route3d.viewer.access import Access, is_loopback
from route3d.viewer.discreet import Discreet
from route3d.viewer.server import address_of, listen, viewer_app


def test_a_private_server_answers_to_loopback_names_only() -> None:
    access = Access.of("127.0.0.1", 7410, False)
    for host in ("127.0.0.1:7410", "localhost:7410", "LOCALHOST:7410", "[::1]:7410", "127.8.8.8:7410"):
        assert access.knows_host(host), host
    for host in ("192.168.0.7:7410", "example.test:7410", "localhost.example.test:7410", "127.0.0.1:80", "localhost",
                 "localhost:7410@example.test", "", ":7410", "localhost:", "localhost:x", "localhost:99999999",
                 "127.0.0.1:7410/", "[::1", "127.0.0.1:7410#", "local host:7410"):  # fmt: skip
        assert not access.knows_host(host), host


def test_a_public_server_answers_to_addresses_but_to_no_foreign_name() -> None:
    access = Access.of("0.0.0.0", 7410, False)
    assert access.public and access.knows_host("192.168.0.7:7410") and access.knows_host("[fe80::1]:7410")
    assert not access.knows_host("rebound.example.test:7410")
    assert Access.of("checker.example.test", 7410, False).knows_host("checker.example.test:7410")


def test_only_the_whole_token_is_known() -> None:
    access = Access.of("127.0.0.1", 7410, False)
    assert access.knows(access.token)
    for wrong in (None, "", access.token[:-1], access.token + "x", "é"):
        assert not access.knows(wrong)
    assert len(access.token) >= 40 and access.token != Access.of("127.0.0.1", 7410, False).token
    assert access.token not in repr(access)


@pytest.mark.parametrize("client", ["127.0.0.1", "::1", "::ffff:127.0.0.1"])
def test_this_machine_may_always_edit(client) -> None:
    assert Access.of("0.0.0.0", 1, False).may_edit({"client": (client, 5)})


@pytest.mark.parametrize("client", ["192.168.0.9", "fe80::1", "::ffff:192.168.0.9"])
def test_others_may_edit_where_it_is_said(client) -> None:
    assert not Access.of("0.0.0.0", 1, False).may_edit({"client": (client, 5)})
    assert Access.of("0.0.0.0", 1, True).may_edit({"client": (client, 5)})
    assert not Access.of("0.0.0.0", 1, False).may_edit({"client": None})


@pytest.mark.parametrize(
    ("host", "own"),
    [("localhost", True), ("127.1.2.3", True), ("::1", True), ("0.0.0.0", False), ("::", False), ("10.0.0.1", False),
     ("example.test", False), ("::ffff:10.0.0.1", False)],
)  # fmt: skip
def test_what_only_this_machine_can_reach(host, own) -> None:
    assert is_loopback(host) is own


def test_the_address_holds_the_token_and_brackets() -> None:
    with listen("127.0.0.1", 0) as listening:
        port = listening.getsockname()[1]
        assert address_of(listening, "127.0.0.1", "T") == f"http://127.0.0.1:{port}/?token=T"
        assert address_of(listening, "::1", "T") == f"http://[::1]:{port}/?token=T"
        assert "0.0.0.0" not in address_of(listening, "0.0.0.0", "T")
        with pytest.raises(Route3DError, match=f"port {port} is taken"):
            listen("127.0.0.1", port)


def test_without_its_page_the_server_says_how_to_get_it(tmp_path) -> None:
    access = Access.of("127.0.0.1", 7410, False)
    with pytest.raises(Route3DError, match="npm ci"):
        viewer_app(None, access, built=tmp_path)  # type: ignore[arg-type]


def test_folders_are_taken_out_of_texts_and_nothing_else_is(tmp_path) -> None:
    shown = Discreet(tmp_path, ["/models/big/ducts.dxf", "C:\\plans\\a.dxf", "beside.dxf"])
    assert shown(f"{tmp_path}/route3d.toml: run 'a'") == "route3d.toml: run 'a'"
    assert shown(f"'{tmp_path}'") == "'.'"
    assert shown('"/models/big/ducts.dxf:2F1"') == '"ducts.dxf:2F1"'
    assert shown('"C:\\\\plans\\\\a.dxf"') == '"a.dxf"'
    assert shown(f"{Path.home()}/elsewhere/x") == "~/elsewhere/x"
    assert shown(f"{tmp_path}x and beside.dxf, N/A") == f"{tmp_path}x and beside.dxf, N/A"
    shown.learn(["/later/b.ifc"])
    assert shown("/later/b.ifc: gone") == "b.ifc: gone"
