"""The report: content, one file, repeatable bytes, zones that stay apart, honest tables."""

import csv
import dataclasses
import json
import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import cv2
import numpy as np
import pypdf
import pytest

from edgeqc.examined import ExaminedFace, compile_findings
from edgeqc.findings import Value
from edgeqc.flags import raised
from edgeqc.measure.face_measures import no_measures
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.measurands import MEASURANDS
from edgeqc.report.content import report_content
from edgeqc.report.figures import (
    ZONE_COLOURS,
    ZONE_LETTERS,
    draw_labels,
    draw_overlay,
    draw_picture,
    nice_length,
)
from edgeqc.report.height_figure import levelled
from edgeqc.report.profile_figure import draw_profile_figure
from edgeqc.report.tables import FACE_COLUMNS, cell, face_columns, face_rows, write_table
from edgeqc.report.wording import legend
from edgeqc.report.writing import write_report

FILES = {"findings.json", "report.html", "report.pdf", "profiles.csv", "roughness.csv",
         "SM-014b.zones.png", "SM-014b.overlay.png"}


@pytest.fixture
def written(case, tmp_path):
    """Write a specimen's report and give folder, findings and notes."""
    def write(name="out", **options):
        findings, pictures, protocol = case(**options)
        folder = tmp_path / name
        return folder, findings, write_report(findings, pictures, protocol, folder)

    return write


def _pdf_pages(file):
    return [page.extract_text() for page in pypdf.PdfReader(file).pages]


def _pdf_text(file):
    return " ".join(" ".join(_pdf_pages(file)).split())


class _Reader(HTMLParser):
    """The visible words of a page, and every address that it names."""

    def __init__(self):
        super().__init__()
        self.words, self.addresses, self._quiet = [], [], 0

    def handle_starttag(self, tag, attrs):
        self._quiet += tag in ("style", "script")
        self.addresses += [value for name, value in attrs if name in ("src", "href") and value]

    def handle_endtag(self, tag):
        self._quiet -= tag in ("style", "script")

    def handle_data(self, data):
        if not self._quiet:
            self.words.append(data)


def _html_text(file):
    reader = _Reader()
    reader.feed(file.read_text(encoding="utf-8"))
    return " ".join(" ".join(reader.words).split()), reader.addresses


def test_every_file_of_the_contract_is_there(written):
    folder, _, notes = written()
    assert {path.name for path in folder.iterdir()} == FILES
    assert notes == ()


def test_the_page_needs_no_other_file_and_says_what_a_report_must(written):
    """Content of a laboratory report: ISO 15189:2022, 7.4.1.6 (from memory, in paraphrase)."""
    folder, findings, _ = written(
        limits={"cut_depth_fraction_min": 0.75}, flags=["debris_present"],
        row={"material": "hydrophilic acrylic", "received": "2026-10-03",
             "pulse_energy_uj": 8.0, "spot_separation_um": 3.0, "line_separation_um": 6.0})
    text, addresses = _html_text(folder / "report.html")
    assert all(address.startswith("data:") for address in addresses)
    assert len(addresses) == 2
    for piece in (
        "SM-014/b", "2026-11-20 09:30", "0.800 ± 0.020", "measured",  # id, issue, answer, verdict
        "Issuing laboratory", "Requested by", "Sample type",  # b, c, d
        "Zones, cut depth and roughness of cut faces",  # e
        "JCGM 100:2008", "Method",  # f
        "30.00 ± 0.60 µm", "at least 0.75", "pass",  # g, h
        "Research and quality control only", "treatment decisions",  # i
        "Reviewed and released by", "Examined by",  # j
        "End of report",  # m
        "ab" * 32, "0.500 ± 0.010 µm", "Accelerating voltage 5 kV",  # pictures
        "Licensed practice and local codes", "biohazard", "X-rays",  # cautions
        "44.4 J/cm²", "hydrophilic acrylic", "007", "2026-10-03",
        "Debris lies on the face.", "k = 2", findings.protocol.sha256,
        "no heights", "the lattice is not resolved",
    ):
        assert piece in text, piece


def test_the_answer_stands_before_everything_else(written):
    folder, _, _ = written()
    text, _ = _html_text(folder / "report.html")
    answer = text.index("Laser-cut to 0.800 ± 0.020")
    assert answer < text.index("Limits and verdicts") < text.index("Method")


def test_the_pdf_carries_id_and_page_number_on_every_page(written):
    folder, _, _ = written(flags=["noisy"], failed="ends before its promised rows")
    pages = _pdf_pages(folder / "report.pdf")
    assert len(pages) >= 2
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
        assert "SM-014/b" in page
        assert "Issued 2026-11-20 09:30" in page
    assert "0.800 ± 0.020" in pages[0]
    assert "for review" in pages[0]
    assert "promised rows" in pages[0]
    assert "End of report" in pages[-1]


def test_the_pdf_is_archival_and_tagged(written):
    folder, _, _ = written()
    data = (folder / "report.pdf").read_bytes()
    assert b"pdfaid:part>2<" in data
    assert b"pdfaid:conformance>A<" in data
    assert b"pdfuaid:part>1<" in data


def test_the_same_findings_give_the_same_bytes(written):
    first, _, _ = written("one", limits={"cut_depth_fraction_min": 0.75})
    second, _, _ = written("two", limits={"cut_depth_fraction_min": 0.75})
    for name in sorted(FILES):
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_text_of_the_sheet_is_data_not_markup(written):
    nasty = '#panic("x") *bold* $x$ <script>alert(1)</script> \\ @ref {{ 7*7 }}'
    folder, _, notes = written(row={"note": nasty})
    assert notes == ()
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "{{ 7*7 }}" in page
    assert '#panic("x") *bold*' in _pdf_text(folder / "report.pdf")


def test_a_glyph_that_no_font_has_gives_a_plain_pdf_and_a_note(written):
    folder, _, notes = written(row={"note": "標本 🜁"})
    assert len(notes) == 1
    assert "plain PDF" in notes[0]
    assert b"pdfaid:part" not in (folder / "report.pdf").read_bytes()
    assert "plain PDF" in _pdf_text(folder / "report.pdf")


def test_a_picture_without_scale_shows_no_micrometres(written, case):
    findings, pictures, _ = case(scale=None)
    overlay = draw_overlay(
        pictures[0].image, [(pictures[0].faces[0].face, None)], np.zeros((120, 160), np.uint8))
    assert overlay.shape == (120, 160, 3)
    assert findings.images[0].pixel_size_um.value is None
    assert findings.images[0].pixel_size_um.reason


def test_labels_lie_on_the_picture_and_leave_the_data_bar_out(case):
    _, pictures, _ = case()
    item = pictures[0].faces[0]
    labels = draw_labels(pictures[0].image, [(item.face, item.zones)])
    assert labels.shape == (120, 160)
    assert labels.dtype == np.uint8
    # the face's own geometry: laser to 0.8 of 60 px below row 30, scissors from column 110 on
    assert (labels[34:76, 24:106] == 1).all()
    assert (labels[80:88, 24:106] == 3).all()
    assert (labels[34:88, 113:138] == 2).all()
    assert (labels[:29] == 0).all()
    assert (labels[92:] == 0).all()


def test_the_raster_file_is_eight_bits_at_the_pictures_size(written):
    folder, _, _ = written()
    raster = cv2.imread(str(folder / "SM-014b.zones.png"), cv2.IMREAD_UNCHANGED)
    assert raster.shape == (120, 160)
    assert raster.dtype == np.uint8
    assert set(np.unique(raster)) <= {0, 1, 2, 3, 4}


def _bright(image):
    """Return the picture all bright but for one dark row, which fixes the display's range."""
    pixels = np.full((120, 160), 0.8, np.float32)
    pixels[0] = 0.0
    return replace(image, pixels=pixels, valid=np.ones((120, 160), bool))


def test_a_data_bar_is_not_shown_because_it_may_hold_names(case):
    _, pictures, _ = case()
    image = pictures[0].image
    grey, scale = draw_picture(image)
    assert scale == 1
    assert np.ptp(image.pixels[110:]) > 0.1  # there is something there to be read
    assert np.ptp(grey[110:]) == 0


def _luminance(colour):
    """Relative luminance of a colour, IEC 61966-2-1 (sRGB)."""
    channels = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_zones_stay_apart_without_colour(case):
    """In grey print the zones differ by letter and by pattern, whatever their colours do."""
    assert len(set(ZONE_LETTERS.values())) == len(ZONE_LETTERS) == len(ZONE_COLOURS)
    _, pictures, _ = case()
    image = pictures[0].image
    flat = _bright(image)
    spectra = []
    for code in (1, 2, 3, 4):
        labels = np.full((120, 160), code, np.uint8)
        # a piece without the letter
        drawn = draw_overlay(flat, [], labels)[6:40, 6:62].astype(float).mean(axis=2)
        spectrum = np.abs(np.fft.fft2(drawn - drawn.mean())).ravel()
        spectra.append(spectrum / np.linalg.norm(spectrum))
    for a in range(4):
        for b in range(a):
            # lines along both diagonals (obscured) hold those along one (laser)
            assert spectra[a] @ spectra[b] < 0.85


def test_colours_are_apart_in_lightness_or_pattern():
    light = sorted(_luminance(colour) for colour in ZONE_COLOURS.values())
    assert light[-1] - light[0] > 0.2


@pytest.mark.parametrize(("target", "length"), [(230.0, 200.0), (1.0, 1.0), (0.07, 0.05),
                                                (9999.0, 5000.0)])
def test_scale_bars_have_round_lengths(target, length):
    assert nice_length(target) == pytest.approx(length)


def test_the_drawn_scale_bar_is_as_long_as_it_says(case):
    _, pictures, _ = case(scale=(0.5, 0.5))
    image = pictures[0].image
    drawn = draw_overlay(_bright(image), [], np.zeros((120, 160), np.uint8))
    dark = (drawn < 60).all(axis=2)
    lines = ["".join("x" if ink else " " for ink in row) for row in dark]
    runs = Counter(len(run) for line in lines for run in re.findall("x+", line) if len(run) > 9)
    bar = [length for length, rows in runs.items() if rows >= 6]
    # 0.22 of 160 px at 0.5 µm/px is 17.6 µm, so the bar says 10 µm: 20 px
    assert bar == [20]


def test_the_figure_stands_alone_and_draws_the_limit(case):
    _, pictures, _ = case()
    item = pictures[0].faces[0]
    svg = draw_profile_figure(item.measures.profiles, item.zones, depth_limit=0.75)
    assert svg.startswith("<svg ")
    assert "limit 0.75" in svg
    assert "along the face, µm" in svg
    assert "href" not in svg
    for letter in "LST":
        assert f">{letter}</text>" in svg


@pytest.mark.parametrize("rise", [(1.0, 14.0), (14.0, 1.0), (26.0, 29.0), (29.0, 26.0)])
def test_the_ligament_is_not_drawn_through_its_label(case, rise):
    """The dashed curve passes above or below the words, not through them, wherever it runs."""
    _, pictures, _ = case()
    item = pictures[0].faces[0]
    found = item.measures.profiles
    everywhere = np.ones(found.s.size, bool)
    profiles = dataclasses.replace(
        found, ligament=np.linspace(*rise, found.s.size), lasered=everywhere,
        thickness=np.full(found.s.size, 30.0), valid=everywhere,
    )  # fmt: skip
    svg = draw_profile_figure(profiles, item.zones)
    x, base = map(float, re.search(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>ligament', svg).groups())
    curves = re.findall(r'<polyline points="([^"]+)"[^>]*stroke-width="1.5"', svg)[-2:]
    words = (x - 6.0 * len("ligament (thickness − laser depth)"), base - 8, x, base + 2)
    for curve in curves:
        points = [tuple(map(float, pair.split(","))) for pair in curve.split()]
        near = [y for at, y in points if words[0] <= at <= words[2]]
        assert near
        assert all(y < words[1] for y in near) or all(y > words[3] for y in near)


def test_profiles_and_roughness_tables(written):
    folder, _, _ = written()
    with (folder / "profiles.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 120
    assert rows[0]["thickness"] == "30"
    assert rows[0]["cut_depth_fraction"] == "0.8"
    assert rows[-1]["ligament"] == ""
    with (folder / "roughness.csv").open(encoding="utf-8", newline="") as file:
        rough = list(csv.DictReader(file))
    assert rough[0]["parameter"] == "Rq"
    assert rough[0]["nesting_index_um"] == "80"
    assert rough[1]["unit"] == "1"
    assert json.loads((folder / "findings.json").read_text(encoding="utf-8"))["specimen"]


def test_faces_table_keeps_its_columns_and_ids(case, tmp_path):
    findings, _, _ = case(flags=["noisy"], row={"extra": (("batch", "=cmd|x"),)})
    columns = face_columns([findings])
    assert columns[: len(FACE_COLUMNS)] == FACE_COLUMNS
    assert columns[-1] == "batch"
    write_table(tmp_path / "faces.csv", columns, face_rows(findings))
    with (tmp_path / "faces.csv").open(encoding="utf-8", newline="") as file:
        row = next(csv.DictReader(file))
    assert row["lens"] == "007"
    assert row["batch"] == "'=cmd|x"  # no spreadsheet runs it
    assert row["cut_depth_fraction"] == "0.8"
    assert row["cut_depth_low"] == "0.78"
    # no number without its doubt
    assert not {name for name in MEASURANDS if f"u_{name}" not in row}
    assert row["lattice_angle_deg"] == ""
    assert row["flags"] == "noisy"
    assert row["verdict"] == "review"


def test_only_text_that_a_spreadsheet_would_evaluate_is_marked(tmp_path):
    kept = ["-014", "+7", "-1,5", "007", "SM-014/b", "a=b", "", "x@y", "-014.tif", "-014_b"]
    marked = ["=1+1", "@SUM(A1)", "-2+3+cmd|' /C calc'!A0", "+A1", "\t=1+1", "\n@x", "-014/b",
              "-014-2", "\uff1d1", "-"]
    write_table(tmp_path / "t.csv", ["id", "number"],
                [{"id": text, "number": -1.5} for text in [*kept, *marked]])
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["id"] for row in rows] == [*kept, *(f"'{text}" for text in marked)]
    assert {row["number"] for row in rows} == {"-1.5"}


def test_cells_never_hold_what_is_no_number():
    assert [cell(item) for item in (None, float("nan"), float("inf"), 0.1 + 0.2, 3, "x")] == [
        "", "", "", "0.3", "3", "x"]


def test_a_face_of_no_use_has_its_row_and_page_without_values(case, tmp_path):
    _, pictures, protocol = case()
    face = pictures[0].faces[0].face
    lost = ExaminedFace(replace(face, flags=(raised("saturated_heavily", "62 % of the face"),)),
                        None, no_measures("the face is of no use"))
    pictures[0] = replace(pictures[0], faces=(lost,))
    found = compile_findings("SM-014/b", pictures, protocol,
                             issued=datetime(2026, 1, 1, tzinfo=UTC))
    assert write_report(found, pictures, protocol, tmp_path) == ()
    row, = face_rows(found)
    assert (row["verdict"], row["flags"]) == ("rejected", "saturated_heavily")
    assert row["cut_depth_fraction"] is None
    assert row["thickness_um"] is None
    assert found.images[0].status == "rejected"
    assert not cv2.imread(str(tmp_path / "SM-014b.zones.png"), cv2.IMREAD_UNCHANGED).any()
    text, _ = _html_text(tmp_path / "report.html")
    assert "clipped to black or white" in text


def test_two_pictures_of_one_stem_do_not_share_a_file(case, tmp_path):
    _, pictures, protocol = case()
    twin = type(pictures[0])(**{**pictures[0].__dict__, "name": "SM-014b.png"})
    both = [pictures[0], twin]
    again = compile_findings("SM-014/b", both, protocol, issued=datetime(2026, 1, 1, tzinfo=UTC))
    write_report(again, both, protocol, tmp_path / "out")
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"SM-014b.tif.zones.png", "SM-014b.png.zones.png"} <= names


def _waves(height_um=0.5, period_px=20):
    row, col = np.mgrid[:120, :160].astype(float)
    heights = 0.02 * row + height_um * np.sin(2 * np.pi * col / period_px)
    heights[:, 100:110] = np.nan
    return HeightMap(
        heights, (0.5, 0.5), np.full(heights.shape, 0.01), 0.02, "stereo pair",
        picture_px=np.stack([row, col], axis=-1).astype(np.float32))


def test_heights_are_drawn_written_and_captioned(case, tmp_path):
    findings, pictures, protocol = case()
    pictures[0] = replace(pictures[0], height_map=_waves())
    write_report(findings, pictures, protocol, tmp_path)
    assert (tmp_path / "SM-014b.heights.tif").exists()
    assert (tmp_path / "SM-014b.heights.x3p").exists()
    text, _ = _html_text(tmp_path / "report.html")
    assert "Heights from the stereo pair" in text
    assert "black -0.5" in text
    assert "Heights from the stereo pair" in _pdf_text(tmp_path / "report.pdf")


def test_a_plane_is_taken_off_the_heights_shown_and_gaps_stay():
    flat = levelled(_waves(height_um=0.0), (120, 160))
    assert np.nanmax(np.abs(flat)) < 1e-4
    assert np.isnan(flat[:, 101:109]).all()


def test_heights_without_a_point_change_nothing(case, tmp_path):
    findings, pictures, protocol = case()
    empty = replace(_waves(), height_um=np.full((120, 160), np.nan))
    pictures[0] = replace(pictures[0], height_map=empty)
    write_report(findings, pictures, protocol, tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == FILES


def test_values_missing_for_one_reason_share_a_row_and_no_plus_minus_stands_for_a_lopsided_one(
    case,
):
    findings, _, protocol = case()
    face = findings.faces[0]
    gone = Value(value=None, unit="1", reason="no edge in the picture")
    values = {**face.values,
              "debris_count": Value(value=31.0, u=24.0, low=18.0, high=79.0, unit="1"),
              "torn_area_fraction": Value(value=0.0, u=0.0, low=0.0, high=0.0, unit="1")}
    for name in ("thickness_um", "thickness_min_um", "thickness_max_um", "ligament_um",
                 "ligament_max_um"):
        values[name] = gone
    changed = face.model_copy(update={"values": values})
    page = report_content(findings.model_copy(update={"faces": (changed,)}), protocol["report"])
    groups = page["pictures"][0]["faces"][0]["groups"]
    rows = {row[0]: row[1:] for group in groups for row in group["rows"]}
    assert rows["All of these"] == ["—", "", "no edge in the picture"]
    assert rows["Ligament, mean, Ligament, greatest"] == ["—", "", "no edge in the picture"]
    assert rows["Debris"][:2] == ["31", "18 to 79"]
    assert rows["Torn zone"] == ["0", "", "none found; its estimated doubt is nil"]


def test_values_that_rest_on_guessed_names_say_so(case):
    def titles(**options):
        findings, _, protocol = case(**options)
        face = report_content(findings, protocol["report"])["pictures"][0]["faces"][0]
        return face["big_caption"], [group["title"] for group in face["groups"]]

    caption, groups = titles()
    assert not any("right names" in text for text in (caption, *groups))
    caption, groups = titles(flags=["zones_unnamed"])
    assert "if the zones bear the right names" in caption
    assert [("right names" in title) for title in groups] == [True, False, True, False]
    caption, groups = titles(flags=["residual_unnamed"])
    assert "right name" not in caption
    assert [("right name" in title) for title in groups] == [False, False, True, False]


def test_an_edge_is_not_called_anterior_where_the_side_is_not_known(case, tmp_path):
    findings, pictures, protocol = case()
    item = pictures[0].faces[0]
    lost = replace(item, face=replace(item.face, anterior="unknown", anterior_source="none"))
    pictures = [replace(pictures[0], faces=(lost,))]
    findings = findings.model_copy(update={"faces": tuple(
        face.model_copy(update={"anterior": "unknown", "anterior_source": "none"})
        for face in findings.faces)})
    write_report(findings, pictures, protocol, tmp_path)
    text, _ = _html_text(tmp_path / "report.html")
    assert "whether that is the anterior one is not known" in text
    assert "(side not known)" in text
    assert "its anterior edge" not in text
    assert "dashed edge is the anterior one" not in text


def test_the_legend_tells_sides_known_and_not():
    assert "not known of every face" in legend([True, False])
    assert "is the anterior one" in legend([True, True])
    assert "No cut face" in legend([])


def test_a_picture_of_two_pixels_gets_its_scale_bar(case):
    _, pictures, _ = case()
    image = pictures[0].image
    tiny = replace(image, pixels=image.pixels[:2, :2], valid=image.valid[:2, :2])
    assert draw_overlay(tiny, [], np.zeros((2, 2), np.uint8)).size
