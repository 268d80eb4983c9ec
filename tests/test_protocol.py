"""The protocol: all faults at once, hints, a hash over what is in force."""

import dataclasses
import tomllib
from dataclasses import dataclass, field
from types import MappingProxyType

import pytest

import edgeqc.protocol as subject
from edgeqc.errors import ProtocolError
from edgeqc.protocol import TABLES, protocol_of, read_protocol, shipped_protocol
from edgeqc.protocol_text import protocol_text


@dataclass(frozen=True)
class Inner:
    """Inner settings.

    Parameters
    ----------
    limit_px : float
        A limit.
    sizes : tuple of int
        Some sizes.
    """

    limit_px: float = 3.0
    sizes: tuple[int, ...] = (2, 4)


@dataclass(frozen=True)
class Outer:
    """Outer settings."""

    name: str = "a"
    count: int = 3
    inner: Inner = field(default_factory=Inner)

    def __post_init__(self):
        if self.count < 0:
            raise ValueError(f"count must be 0 or more, got {self.count}")


@pytest.fixture
def small(monkeypatch):
    """A pipeline with one table, so that the tests do not lean on any stage's settings."""
    table = MappingProxyType({"specimen": {"outer": (__name__, "Outer")}})
    monkeypatch.setattr(subject, "TABLES", table)
    monkeypatch.setattr(subject, "import_module", lambda name: __import__("types").SimpleNamespace(
        Outer=Outer))


def test_a_table_fills_its_record_and_leaves_the_rest(small):
    protocol = protocol_of({"outer": {"count": 5, "inner": {"limit_px": 2}}})
    assert protocol["outer"] == Outer(count=5, inner=Inner(limit_px=2.0))
    assert isinstance(protocol["outer"].inner.sizes, tuple)


def test_all_faults_are_named_at_once_with_hints(small):
    with pytest.raises(ProtocolError) as caught:
        protocol_of({
            "outr": {},
            "outer": {"cuont": 1, "name": 7, "inner": {"limit_pix": 1.0}},
            "limits": {"cut_depth_fraction_mn": 0.8, "ligament_um_max": True},
        }, file="ours.toml")
    said = str(caught.value)
    assert "6 faults" in said
    for piece in ("ours.toml", "[outr]", "did you mean 'outer'?", "outer.cuont", "'count'",
                  "outer.name", "limit_pix", "'inner.limit_px'", "'cut_depth_fraction_min'",
                  "limits.ligament_um_max"):
        assert piece in said


def test_types_are_strict(small):
    for bad in (True, "3", 3.5, float("nan")):
        with pytest.raises(ProtocolError):
            protocol_of({"outer": {"count": bad}})
    with pytest.raises(ProtocolError):
        protocol_of({"outer": {"inner": {"limit_px": float("inf")}}})


def test_a_records_own_rule_is_a_fault_of_the_file(small):
    with pytest.raises(ProtocolError, match="count must be 0 or more"):
        protocol_of({"outer": {"count": -1}})


def test_the_hash_is_over_what_is_in_force_not_over_the_file(small):
    plain = protocol_of({})
    said = protocol_of({"outer": {"count": 3}, "limits": {}})
    other = protocol_of({"outer": {"count": 4}})
    limited = protocol_of({"limits": {"cut_depth_fraction_min": 0.8}})
    assert plain.sha256 == said.sha256
    assert len({plain.sha256, other.sha256, limited.sha256}) == 3


def test_another_pipelines_protocol_is_refused(small):
    with pytest.raises(ProtocolError, match="'folder'"):
        protocol_of({"protocol": {"pipeline": "folder"}})


def test_a_file_that_is_no_toml_is_refused_by_name(tmp_path):
    bad = tmp_path / "ours.toml"
    bad.write_text("limits = [")
    with pytest.raises(ProtocolError, match=r"ours\.toml.*not a TOML file"):
        read_protocol(bad)
    with pytest.raises(ProtocolError, match=r"none\.toml.*cannot be read"):
        read_protocol(tmp_path / "none.toml")


@pytest.mark.parametrize("kind", TABLES)
def test_shipped_protocols_are_the_defaults_and_list_every_key(kind):
    file = shipped_protocol(kind)
    assert file.read_text(encoding="utf-8") == protocol_text(kind), (
        "write it again: see the recipe in DEVELOPERS.md")
    shipped = read_protocol(kind=kind)
    tables = tomllib.loads(file.read_text(encoding="utf-8"))
    for name, record in shipped.settings.items():
        assert record == type(record)(), f"[{name}] is not the default"
        _all_keys_stand(record, tables[name])


def _all_keys_stand(record, table):
    for item in dataclasses.fields(record):
        assert item.name in table
        if dataclasses.is_dataclass(getattr(record, item.name)):
            _all_keys_stand(getattr(record, item.name), table[item.name])


def test_a_zone_model_is_known_by_its_content_not_its_place(tmp_path):
    sums = []
    for place in ("a", "b"):
        (tmp_path / place).mkdir()
        (tmp_path / place / "ours.json").write_text("{}")
        protocol = tmp_path / place / "ours.toml"
        protocol.write_text('[zone_model]\nfile = "ours.json"\n')
        read = read_protocol(protocol)
        assert read["zone_model"].file == str((tmp_path / place / "ours.json").resolve())
        sums.append(read.sha256)
    assert sums[0] == sums[1] != read_protocol().sha256
    (tmp_path / "b" / "ours.json").write_text("{ }")
    assert read_protocol(tmp_path / "b" / "ours.toml").sha256 != sums[0]
    (tmp_path / "b" / "ours.json").unlink()
    with pytest.raises(ProtocolError, match=r"zone_model\.file.*'ours\.json'"):
        read_protocol(tmp_path / "b" / "ours.toml")
