"""Writes workbooks with openpyxl, an independent writer of Office Open XML, into the folder given."""

import datetime
import pathlib
import sys

import openpyxl

folder = pathlib.Path(sys.argv[1])


def save(name, rows, more=None):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Parts"
    for row in rows:
        sheet.append(row)
    if more:
        more(book, sheet)
    book.save(folder / name)


HEAD = ["part", "name", "count", "stock", "length", "width", "dimensioned", "holes"]

save(
    "plain.xlsx",
    [
        ["Village library", None, datetime.date(2026, 11, 2)],
        [],
        HEAD,
        ["rail", "Träger ½", 2, "ash-22", 1000.5, 0.1 + 0.2, True, "8 deep 14 at 200 x 50"],
        ["# a remark"],
        [12, "Twelve", "3", "ash-22", "3/4in", "19.2 mm", "no", None],
    ],
)


def second(book, sheet):
    other = book.create_sheet("Stools")
    other.append(["part", "stock", "length", "width"])
    other.append(["leg", "oak", 400, 40])


save("two-sheets.xlsx", [["nothing", "here"]], second)

# A formula that no spreadsheet has computed yet has no result in the file; a date is what 3/4 becomes.
save(
    "unclear.xlsx",
    [
        ["part", "count", "stock", "length", "width"],
        ["rail", "=1+1", "ash-22", datetime.date(2026, 4, 3), 100],
        ["seat", 1, "ash-22", "=A1/0", 100],
        ["back", 1, "ash-22", "19,2", 100],
    ],
)


def far(book, sheet):
    sheet["XFD1048576"] = "far"


save("far.xlsx", [["part", "stock", "length", "width"], ["rail", "ash-22", 100, 50]], far)
