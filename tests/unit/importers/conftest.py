import pytest


@pytest.fixture
def read_dxf(tmp_path):
    """Save a document and read it back as a model, one drawing unit a metre."""
    from importers.dxf import read_model

    def read(doc, role="obstacle", units="m", move_m=(0.0, 0.0, 0.0), tolerance_m=1e-3, roles=None):
        path = tmp_path / "drawing.dxf"
        doc.saveas(path)
        role_of = (lambda *names: next((roles[n] for n in names if n in roles), role)) if roles else (lambda *_: role)
        return read_model(path, name="d", role_of=role_of, units=units, move_m=move_m, chord_tolerance_m=tolerance_m)

    return read
