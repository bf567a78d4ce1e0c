"""The bundle in the package is the one that its sources give: found without Node."""

import hashlib
from pathlib import Path

import route3d.viewer

PAGE = Path(route3d.viewer.__file__).parent / "page"
BUILT = PAGE / "built"


def _listed() -> dict[str, str]:
    lines = (BUILT / "sources.sha256").read_text(encoding="utf-8").splitlines()
    return {name: digest for digest, name in (line.split("  ", 1) for line in lines)}


def test_bundle_was_built_from_the_sources_that_stand_beside_it():
    listed = _listed()
    stale = [
        name
        for name, digest in listed.items()
        if not (PAGE / name).is_file() or hashlib.sha256((PAGE / name).read_bytes()).hexdigest() != digest
    ]
    assert stale == [], "run `npm ci && npm run build` in route3d/viewer/page"


def test_every_source_of_the_page_is_in_the_list():
    sources = {str(p.relative_to(PAGE).as_posix()) for p in (PAGE / "src").rglob("*") if p.is_file()}
    assert sources <= set(_listed()), "run `npm run build` in route3d/viewer/page"


def test_licences_of_everything_bundled_are_told():
    told = (BUILT / "app.js.LEGAL.txt").read_text(encoding="utf-8")
    for package in ("three ", "three-mesh-bvh ", "tabulator-tables "):
        assert package in told


def test_page_asks_nothing_of_the_network_but_its_own_server():
    # the name of SVG's namespace is no address
    html = (BUILT / "index.html").read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
    assert "http://" not in html and "https://" not in html
    css = (BUILT / "app.css").read_text(encoding="utf-8")
    assert "@import" not in css and "url(http" not in css and "url(//" not in css
