//! Parts lists as workbooks: those of an independent writer, and those that mean harm.

use super::help::{Dice, Fresh};
use super::parts_list::{changes, options};
use grainway_service::parts_list::{ListKind, RowProblem, read};
use serde_json::{Value, json};
use std::io::{Cursor, Read, Write};
use std::process::Command;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

const HEAD: &str = r#"<row r="1"><c r="A1" t="inlineStr"><is><t>part</t></is></c><c r="B1" t="inlineStr"><is><t>stock</t></is></c><c r="C1" t="inlineStr"><is><t>length</t></is></c><c r="D1" t="inlineStr"><is><t>width</t></is></c></row>"#;
const ROW: &str = r#"<row r="2"><c r="A2" t="s"><v>0</v></c><c r="B2" t="inlineStr"><is><t>ash</t></is></c><c r="C2"><v>100</v></c><c r="D2"><v>50</v></c></row>"#;

/// The least that a workbook is made of (ISO/IEC 29500-1, 12.2 and 18.3).
fn parts() -> Vec<(&'static str, String)> {
    let main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
    let office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    let package = "http://schemas.openxmlformats.org/package/2006/relationships";
    vec![
        (
            "[Content_Types].xml",
            r#"<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="xml" ContentType="application/xml"/></Types>"#.to_string(),
        ),
        (
            "_rels/.rels",
            format!(r#"<Relationships xmlns="{package}"><Relationship Id="r1" Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>"#),
        ),
        (
            "xl/workbook.xml",
            format!(r#"<workbook xmlns="{main}" xmlns:r="{office}"><sheets><sheet name="Parts" sheetId="1" r:id="r1"/></sheets></workbook>"#),
        ),
        (
            "xl/_rels/workbook.xml.rels",
            format!(r#"<Relationships xmlns="{package}"><Relationship Id="r1" Type="{office}/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="r2" Type="{office}/sharedStrings" Target="sharedStrings.xml"/></Relationships>"#),
        ),
        (
            "xl/sharedStrings.xml",
            format!(r#"<sst xmlns="{main}" count="1" uniqueCount="1"><si><t>rail</t></si></sst>"#),
        ),
        (
            "xl/worksheets/sheet1.xml",
            format!(r#"<worksheet xmlns="{main}"><sheetData>{HEAD}{ROW}</sheetData></worksheet>"#),
        ),
    ]
}

fn zipped(parts: &[(&str, Vec<u8>)]) -> Vec<u8> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated);
    for (name, bytes) in parts {
        zip.start_file(*name, options).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// A workbook in which one part is another text.
fn with(changed: &str, to: impl Fn(&str) -> String) -> Vec<u8> {
    let parts: Vec<(&str, Vec<u8>)> = parts()
        .into_iter()
        .map(|(name, text)| match name == changed {
            true => (name, to(&text).into_bytes()),
            false => (name, text.into_bytes()),
        })
        .collect();
    zipped(&parts)
}

fn book(bytes: &[u8], more: Value) -> Result<Value, Vec<RowProblem>> {
    let jobs = read(bytes, ListKind::Workbook, "list", &options(more))?;
    Ok(serde_json::from_slice(&jobs[0].document).unwrap())
}

fn refused(what: &str, bytes: &[u8], code: &str) {
    let problems = book(bytes, json!({})).unwrap_err();
    assert!(
        problems.iter().any(|p| p.code == code),
        "{what}: {problems:?}"
    );
}

#[test]
fn workbooks_of_an_independent_writer() {
    let python = std::env::var("GRAINWAY_PYTHON").unwrap_or_else(|_| "python3".to_string());
    let has = Command::new(&python)
        .args(["-c", "import openpyxl"])
        .output();
    if !has.is_ok_and(|o| o.status.success()) {
        assert!(
            std::env::var_os("GRAINWAY_PYTHON").is_none(),
            "{python} lacks openpyxl: see tests/python/requirements.txt"
        );
        println!("skipped: set GRAINWAY_PYTHON to a Python with openpyxl");
        return;
    }
    let fresh = Fresh::new();
    let script = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../tests/python/workbooks.py"
    );
    let written = Command::new(&python)
        .arg(script)
        .arg(&*fresh)
        .output()
        .unwrap();
    assert!(
        written.status.success(),
        "{}",
        String::from_utf8_lossy(&written.stderr)
    );
    let file = |name: &str| std::fs::read(fresh.join(name)).unwrap();

    let document = book(&file("plain.xlsx"), json!({})).unwrap();
    assert_eq!(
        document["parts"],
        json!([
            { "id": "rail", "name": "Träger ½", "count": 2, "stock": "ash-22",
              "blank": { "length": 1000.5, "width": 0.3, "dimensioned": true },
              "features": [{ "kind": "hole", "shape": { "circle": { "at": [200, 50], "diameter": 8 } }, "depth": 14 }] },
            { "id": "12", "name": "Twelve", "count": 3, "stock": "ash-22", "blank": { "length": "3/4in", "width": 19.2 } },
        ])
    );
    let stools = book(&file("two-sheets.xlsx"), json!({ "sheet": "Stools" })).unwrap();
    assert_eq!(stools["parts"][0]["id"], "leg");
    let no_sheet = book(&file("two-sheets.xlsx"), json!({ "sheet": "Stool" })).unwrap_err();
    assert!(
        no_sheet[0].message.contains("Parts, Stools"),
        "{no_sheet:?}"
    );

    let unclear = book(&file("unclear.xlsx"), json!({})).unwrap_err();
    let told: Vec<(Option<u32>, Option<&str>)> = unclear
        .iter()
        .map(|p| (p.row, p.column.as_deref()))
        .collect();
    assert_eq!(
        told,
        [
            (Some(2), Some("count")),
            (Some(2), Some("length")),
            (Some(3), Some("length")),
            (Some(4), Some("length"))
        ]
    );
    assert!(unclear[0].message.contains("no result"), "{unclear:?}");
    assert!(unclear[1].message.contains("date"), "{unclear:?}");
    assert!(unclear[3].message.contains("comma"), "{unclear:?}");

    let far = book(&file("far.xlsx"), json!({})).unwrap_err();
    assert_eq!(far[0].code, "list-too-large", "{far:?}");
}

#[test]
fn the_least_workbook_is_read() {
    let document = book(&with("", str::to_string), json!({})).unwrap();
    assert_eq!(
        document["parts"][0]["blank"],
        json!({ "length": 100, "width": 50 })
    );
}

#[test]
fn workbooks_that_mean_harm_are_refused_in_little_time_and_room() {
    let started = std::time::Instant::now();
    // 1 GiB of nothing in about 1 MiB.
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let deflated = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated);
    for (name, text) in parts() {
        zip.start_file(name, deflated).unwrap();
        zip.write_all(text.as_bytes()).unwrap();
    }
    zip.start_file("xl/media/picture.png", deflated).unwrap();
    let block = vec![0; 1 << 20];
    for _ in 0..1024 {
        zip.write_all(&block).unwrap();
    }
    let bomb = zip.finish().unwrap().into_inner();
    assert!(bomb.len() < 3 << 20, "{}", bomb.len());
    refused("a bomb", &bomb, "list-too-large");

    let name = "xl/sharedStrings.xml";
    for count in [
        "9999999999",
        "18446744073709551615",
        "00000000000000099999999999",
    ] {
        for quoted in [
            format!("\"{count}\""),
            format!("'{count}'"),
            format!(" = \"{count}\""),
        ] {
            let bytes = with(name, |t| {
                t.replace(
                    "=\"1\"><si>",
                    &format!("={quoted}><si>").replace("= =", " ="),
                )
            });
            refused(count, &bytes, "unreadable-list");
        }
    }
    let wide: Vec<u8> = parts()[4]
        .1
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    let mut all: Vec<(&str, Vec<u8>)> = parts()
        .into_iter()
        .map(|(n, t)| (n, t.into_bytes()))
        .collect();
    all[4].1 = [vec![0xff, 0xfe], wide].concat();
    refused("texts in UTF-16", &zipped(&all), "unreadable-list");

    let sheet = "xl/worksheets/sheet1.xml";
    let cell = |at: &str| format!(r#"<row><c r="{at}"><v>1</v></c></row></sheetData>"#);
    refused(
        "a far cell",
        &with(sheet, |t| t.replace("</sheetData>", &cell("XFD1048576"))),
        "list-too-large",
    );
    refused(
        "a far row",
        &with(sheet, |t| t.replace("</sheetData>", &cell("A4294967295"))),
        "list-too-large",
    );
    let formula = r#"<row r="3"><c r="A3"><f t="shared" si="99999999999" ref="A3:A4">1</f><v>1</v></c></row></sheetData>"#;
    // It is a row without stock, and nothing worse.
    refused(
        "a far formula",
        &with(sheet, |t| t.replace("</sheetData>", formula)),
        "missing-cell",
    );
    refused(
        "rows backwards",
        &with(sheet, |t| {
            t.replace(&format!("{HEAD}{ROW}"), &format!("{ROW}{HEAD}"))
        }),
        "unreadable-list",
    );
    // The library's arithmetic on such a place overflows and panics; here that is an error like others.
    refused(
        "a place beyond all letters",
        &with(sheet, |t| {
            t.replace("</sheetData>", &cell("ABCDEFGHIJKLMNOPQRSTUVWXYZ1"))
        }),
        "unreadable-list",
    );
    let many = "<row>".to_string() + &"<c/>".repeat(2_100_000) + "</row></sheetData>";
    refused(
        "many cells",
        &with(sheet, |t| t.replace("</sheetData>", &many)),
        "list-too-large",
    );
    let entity = r#"<!DOCTYPE a [<!ENTITY e "eeeeeeeeee">]><worksheet><sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>&e;</t></is></c></row></sheetData></worksheet>"#;
    assert!(book(&with(sheet, |_| entity.to_string()), json!({})).is_err());

    let names: Vec<String> = (0..1100).map(|i| format!("x{i}")).collect();
    let crowd: Vec<(&str, Vec<u8>)> = names.iter().map(|n| (n.as_str(), Vec::new())).collect();
    refused("a crowd", &zipped(&crowd), "list-too-large");
    for (what, bytes) in [
        ("nothing", b"".as_slice()),
        ("text", b"part,count"),
        ("a torso", &bomb[..bomb.len() / 2]),
    ] {
        refused(what, bytes, "unreadable-list");
    }
    assert!(started.elapsed().as_secs() < 60, "{:?}", started.elapsed());
}

/// Seeded damage to the XML of a workbook, zipped again so that it comes as far as the reader; and to the zip itself.
#[test]
fn damaged_workbooks_are_read_or_refused() {
    let whole = with("", str::to_string);
    let mut dice = Dice(5);
    let mut next = |n: usize| dice.roll(n as u64) as usize;
    let (mut good, mut bad) = (0, 0);
    for _ in 0..changes(1500) {
        let mut parts: Vec<(&str, Vec<u8>)> = parts()
            .into_iter()
            .map(|(n, t)| (n, t.into_bytes()))
            .collect();
        for _ in 0..1 + next(3) {
            let part = next(parts.len());
            let bytes = &mut parts[part].1;
            let at = next(bytes.len());
            match next(5) {
                0 => bytes[at] = next(256) as u8,
                1 => drop(bytes.drain(at..(at + next(30)).min(bytes.len()))),
                2 => bytes.insert(at, b"<>/\"&;=!-9"[next(10)]),
                3 => {
                    let piece: Vec<u8> = bytes[at..(at + 40).min(bytes.len())].to_vec();
                    let to = next(bytes.len());
                    bytes.splice(to..to, piece);
                }
                _ => bytes.truncate(at.max(5)),
            }
        }
        let mut bytes = zipped(&parts);
        if next(4) == 0 {
            let at = next(bytes.len());
            bytes[at] ^= 1 << next(8);
        }
        match book(&bytes, json!({})) {
            Ok(_) => good += 1,
            Err(problems) => {
                assert!(!problems.is_empty());
                bad += 1;
            }
        }
    }
    assert!(good > 50 && bad > 300, "{good} {bad}");
    let mut archive = ZipArchive::new(Cursor::new(whole)).unwrap();
    let mut text = String::new();
    archive
        .by_index(0)
        .unwrap()
        .read_to_string(&mut text)
        .unwrap();
    assert!(text.starts_with("<Types"));
}
