import io
import time

from rich.console import Console

from route3d.cli import common


def test_a_bar_with_the_share_is_shown_on_a_terminal_after_a_while(monkeypatch) -> None:
    monkeypatch.setattr(common, "SHOWN_AFTER_S", 0.05)
    out = io.StringIO()
    with common.progress(Console(file=out, force_terminal=True, width=100)) as say:
        say("reading [a].dxf", 0.4)
        time.sleep(0.4)
    assert "reading [a].dxf" in out.getvalue() and "━" in out.getvalue()


def test_short_work_and_other_outputs_show_nothing(monkeypatch) -> None:
    quick, piped = io.StringIO(), io.StringIO()
    with common.progress(Console(file=quick, force_terminal=True)) as say:
        say("reading a.dxf", 0.4)
    with common.progress(Console(file=piped, force_terminal=False)) as say:
        say("reading a.dxf")
    assert "reading" not in quick.getvalue() and piped.getvalue() == ""
