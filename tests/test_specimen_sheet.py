"""The specimen sheet in every form that laboratories keep it in."""

from __future__ import annotations

import datetime

import openpyxl
import pytest

from edgeqc.errors import SheetError
from edgeqc.specimen_sheet import KNOWN_COLUMNS, Sheet, default_row, read_sheet

HEADER = "image,specimen,lens,pulse_energy_uj,pixel_size_um,tilt_deg,anterior,faces,shelf"
ROW = "a.tif,007,0012,1.5,0.125,-12.5,top;Bottom,2,A 3"


def sheet_of(tmp_path, text, encoding="utf-8", name="specimens.csv", **kwargs):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return read_sheet(path, **kwargs)


def fault_of(tmp_path, text, **kwargs):
    with pytest.raises(SheetError) as caught:
        sheet_of(tmp_path, text, **kwargs)
    return str(caught.value)


def check_first_row(sheet):
    row = sheet.rows[0]
    assert (row.image, row.specimen, row.lens, row.row) == ("a.tif", "007", "0012", 2)
    assert (row.pulse_energy_uj, row.pixel_size_um, row.tilt_deg) == (1.5, 0.125, -12.5)
    assert row.anterior == ("top", "bottom")
    assert row.faces == 2
    assert isinstance(row.faces, int)
    assert row.extra == (("shelf", "A 3"),)
    assert row.listed
    assert sheet.extra_columns == ("shelf",)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize(
    ("delimiter", "decimal"), [(",", "."), (";", ","), (";", "."), ("\t", ",")])
def test_every_csv_dialect_reads_the_same(tmp_path, encoding, newline, delimiter, decimal):
    cells = ROW.split(",")
    cells[3:6] = [cell.replace(".", decimal) for cell in cells[3:6]]
    cells[6] = f'"{cells[6]}"'
    text = newline.join([HEADER.replace(",", delimiter), delimiter.join(cells), "", ""])
    check_first_row(sheet_of(tmp_path, text, encoding))


def test_line_that_spreadsheets_write_for_the_delimiter(tmp_path):
    text = "sep=;\n" + HEADER.replace(",", ";") + "\n" + "a.tif;007;0012;1,5;0,125;-12,5"
    text += ';"top;bottom";2;A 3\n'
    check_first_row(sheet_of(tmp_path, text))


def test_xlsx_keeps_ids_as_text(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append([*HEADER.split(","), "received"])
    sheet.append(["a.tif", "007", 12, 1.5, 0.125, -12.5, "top; bottom", 2, "A 3",
                  datetime.date(2026, 11, 3)])
    sheet["C2"].number_format = "0000"  # shown as 0012, stored as 12
    book.save(tmp_path / "book.xlsx")
    read = read_sheet(tmp_path / "book.xlsx")
    check_first_row(read)
    assert read.rows[0].received == "2026-11-03"


def test_text_named_xlsx_is_called_what_it_is(tmp_path):
    (tmp_path / "book.xlsx").write_text("no workbook")
    with pytest.raises(SheetError, match=r"named \.xlsx but is no workbook"):
        read_sheet(tmp_path / "book.xlsx")
    # a table that only bears the wrong ending is read
    (tmp_path / "book.xlsx").write_text("image,specimen\na.tif,007\n")
    assert read_sheet(tmp_path / "book.xlsx").rows[0].specimen == "007"


def test_xlsx_id_that_became_a_date_is_a_fault(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["image", "specimen", "pixel_size_um"])
    book.active.append(["a.tif", datetime.date(2026, 3, 6), datetime.date(2026, 1, 5)])
    book.save(tmp_path / "book.xlsx")
    with pytest.raises(SheetError) as caught:
        read_sheet(tmp_path / "book.xlsx")
    assert str(caught.value).count("made a date of this cell") == 2


def test_every_fault_is_reported_at_once_with_its_row(tmp_path):
    text = "\n".join([
        "image,specimen,pixle_size_um,tilt_deg,anterior,faces,pair,specimen",
        "a.tif,1,0.1,95,top,1,,",
        "b.tif,2,0.1,x,up,1.5,P1,",
        "a.tif,3,0.1,10,top;left,3,,",
        ",4,0.1,,,,,",
        "gone.tif,5,0.1,nan,,0,,",
    ])
    message = fault_of(tmp_path, text, files=["a.tif", "b.tif", "gonee.tif"])
    for part in (
        "row 1: the column 'specimen' is there 2 times",
        "row 1: the column 'pixle_size_um' is unknown; did you mean 'pixel_size_um'?",
        "row 2, column tilt_deg: 95 is out of range",
        "row 3, column tilt_deg: 'x' is not a number",
        "row 3, column anterior: 'up' is none of top, bottom, left, right",
        "row 3, column faces: 1.5 is not a whole number",
        "row 3: the pair 'P1' has 1 picture; a pair has two",
        "rows 2, 4: the picture 'a.tif' is listed 2 times",
        "row 4, column anterior: 2 sides are listed for 3 faces",
        "row 5: the cell 'image' is empty",
        "row 6, column image: 'gone.tif' is not in the folder; did you mean 'gonee.tif'?",
        "row 6, column tilt_deg: 'nan' is not a number",
        "row 6, column faces: 0 is out of range",
        "13 faults",
    ):
        assert part in message


@pytest.mark.parametrize(("cell", "says"), [
    ("-0.1", "out of range"), ("0", "out of range"), ("inf", "not a number"),
    ("1e400", "out of range"), ("0.1 um", "write the figure alone, in um"),
    ('"1.234,5"', "not a number"), ("1 234", "not a number"), ('"1,234"', "may mean"),
    ("٣", "not a number"), ("0x1F", "not a number"), ("1_000", "not a number"),
])
def test_pixel_sizes_that_are_refused(tmp_path, cell, says):
    message = fault_of(tmp_path, f"image,pixel_size_um\na.tif,{cell}\n")
    assert "row 2" in message
    assert says in message


@pytest.mark.parametrize(("cell", "value"), [
    ("0.125", 0.125), (".5", 0.5), ("1e-2", 0.01), ('"0,125"', 0.125), ("\u00a00.2 ", 0.2),
    ("+3", 3.0),
])
def test_pixel_sizes_that_are_read(tmp_path, cell, value):
    sheet = sheet_of(tmp_path, f"image,pixel_size_um\na.tif,{cell}\n")
    assert sheet.rows[0].pixel_size_um == value


def test_mixed_decimal_signs_are_a_fault(tmp_path):
    text = "image;pixel_size_um;tilt_deg\na.tif;0,125;\nb.tif;1.250;\nc.tif;0,2;\n"
    assert "mixes decimal points and decimal commas (a point in row 3)" in fault_of(tmp_path, text)


def test_decimal_comma_in_a_comma_separated_file_is_noticed(tmp_path):
    message = fault_of(tmp_path, "image,pixel_size_um\na.tif,0,125\n")
    assert "row 2: '125' stands under no column name" in message


@pytest.mark.parametrize(("text", "axis"), [
    ("vertical", 0.0), ("Horizontal", -90.0), ("-30", -30.0), ("12,5", 12.5), ("", None),
])
def test_tilt_axis(tmp_path, text, axis):
    sheet = sheet_of(tmp_path, f"image;tilt_axis\na.tif;{text}\n")
    assert sheet.rows[0].tilt_axis_deg == axis


@pytest.mark.parametrize(("text", "way"), [
    ("Scissors", "scissors"), (" traction ", "traction"), ("both", "both"), ("", "")])
def test_how_the_fragment_was_freed(tmp_path, text, way):
    row = sheet_of(tmp_path, f"image,freed_by,shelf\na.tif,{text},A 3\n").rows[0]
    assert row.freed_by == way
    assert dict(row.extra) == {"freed_by": way, "shelf": "A 3"}  # carried through as well


def test_a_way_of_freeing_that_is_not_known_is_a_fault(tmp_path):
    fault = fault_of(tmp_path, "image,freed_by\na.tif,scissors\nb.tif,knife\n")
    assert "row 3, column freed_by: 'knife' is none of scissors, traction, both, unknown" in fault
    assert default_row("c.tif").freed_by == ""


def test_pair_faults(tmp_path):
    text = ("image,specimen,pair,pair_tilt_deg\n"
            "a.tif,1,P,3\nb.tif,2,P,-3\nc.tif,1,Q,3\nd.tif,1,Q,3\n")
    message = fault_of(tmp_path, text)
    assert "rows 2, 3: the pair 'P' joins two specimens" in message
    assert "rows 4, 5: both pictures of the pair 'Q' have the same pair_tilt_deg" in message


def test_unknown_columns_stay_and_known_ones_ignore_case(tmp_path):
    sheet = sheet_of(tmp_path, "Image,SPECIMEN,shelf,note2,note\na.tif,01,007,x,y\n")
    assert sheet.rows[0].specimen == "01"
    assert sheet.rows[0].extra == (("shelf", "007"), ("note2", "x"))


def test_a_unit_slip_in_a_column_name_is_not_carried_through_silently(tmp_path):
    message = fault_of(tmp_path, "image,pixel_size_nm\na.tif,125\n")
    assert "did you mean 'pixel_size_um'?" in message


def test_row_for_pages_folders_and_case():
    def rows_of(*names):
        return tuple(
            default_row(name).__class__(image=name.partition("#")[0], specimen=str(at), row=at,
                                        page=int(name.partition("#")[2] or 0) or None)
            for at, name in enumerate(names, start=2)
        )

    sheet = Sheet(rows_of("a.tif", "a.tif#2", "sub/b.tif", "C.TIF", "x/d.tif", "y/d.tif"))
    assert sheet.row_for("a.tif").specimen == "2"
    assert sheet.row_for("a.tif", 2).specimen == "3"
    assert sheet.row_for("a.tif", 3).specimen == "2"
    assert sheet.row_for("deep/a.tif").specimen == "2"
    assert sheet.row_for("sub/b.tif").specimen == "4"
    assert not sheet.row_for("other/b.tif").listed
    assert sheet.row_for("c.tif").specimen == "5"
    assert sheet.row_for("y/d.tif").specimen == "7"
    assert not sheet.row_for("d.tif").listed
    assert sheet.row_for("nowhere.tif").specimen == "nowhere"


def test_files_settle_which_picture_a_row_means(tmp_path):
    files = ["a.tif", "sub/a.tif", "sub/B.tif", "b/c.tif", "d/c.tif", "h/map.x3p"]
    text = "image,specimen,height_map\na.tif,1,map.x3p\nb.tif,2,\nd\\c.tif,3,\n"
    sheet = sheet_of(tmp_path, text, files=files)
    assert [row.image for row in sheet.rows] == ["a.tif", "sub/B.tif", "d/c.tif"]
    assert sheet.rows[0].height_map == "h/map.x3p"
    assert sheet.row_for("a.tif").specimen == "1"
    assert not sheet.row_for("sub/a.tif").listed  # not the one that the sheet means
    assert not sheet.row_for("b/c.tif").listed
    ambiguous = fault_of(tmp_path, "image\nc.tif\n", files=files)
    assert "'c.tif' is in the folder 2 times; write the subfolder too" in ambiguous


def test_composed_and_decomposed_names_are_one(tmp_path):
    sheet = sheet_of(tmp_path, "image,specimen\nSchärfe.tif,1\n", files=["Scha\u0308rfe.tif"])
    assert sheet.row_for("Scha\u0308rfe.tif").specimen == "1"


@pytest.mark.parametrize(("raw", "says"), [
    (b"", "the sheet is empty"),
    (b"image,note\na.tif,\xe4\n", "row 2 holds a character that is not UTF-8"),
    (b"\x89PNG\r\n\x1a\n\0\0", "not UTF-8"),
    (b"image\0\n", "binary data"),
    (b"specimen\n1\n", "the required column 'image' is missing"),
    (b"image\n", "a header and no rows"),
    (b'image,note\na.tif,"open\n', "quotation mark"),
    (b"PK\x03\x04 broken", "the workbook cannot be read"),
])
def test_files_that_are_no_sheet(tmp_path, raw, says):
    path = tmp_path / "specimens.csv"
    path.write_bytes(raw)
    with pytest.raises(SheetError, match=says):
        read_sheet(path)


def test_a_sheet_that_is_not_there(tmp_path):
    with pytest.raises(SheetError, match="cannot be read"):
        read_sheet(tmp_path / "no.csv")


def test_every_column_of_the_contract_is_known():
    # the output contract's list, typed here a second time on purpose
    contract = """image specimen lens fragment material pulse_energy_uj spot_separation_um
        line_separation_um pixel_size_um scale_bar_um tilt_deg anterior faces pair pair_tilt_deg
        tilt_axis height_map accelerating_voltage_kv coating drying operator received note"""
    assert sorted(contract.split()) == sorted(KNOWN_COLUMNS)
