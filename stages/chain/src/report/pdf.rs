//! The setup sheet as a PDF of its own: A4, the built-in Helvetica, pictures as vectors. No clock and no identifier goes into it.

use super::picture::{Anchor, Colour, Mark, Picture};
use super::sheet::{Block, Row, Sheet, Tone};
use grainway_geom::{Contour, Point, Segment};
use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

/// Points in a millimetre (1 pt = 1/72 in).
const MM: f64 = 72.0 / 25.4;
const PAGE_WIDTH: f64 = 210.0 * MM;
const PAGE_HEIGHT: f64 = 297.0 * MM;
const MARGIN: f64 = 14.0 * MM;
const FOOT: f64 = 9.0 * MM;
const WIDTH: f64 = PAGE_WIDTH - 2.0 * MARGIN;
/// Highest picture, so that what belongs to it finds room on the same page.
const PICTURE_HEIGHT: f64 = 125.0 * MM;
const CELL: f64 = 1.0 * MM;

const REGULAR: Name<'static> = Name(b"F1");
const BOLD: Name<'static> = Name(b"F2");

/// Widths of Helvetica's printable ASCII, thousandths of the size: Adobe's font metrics for the 14 standard fonts (from memory).
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667,
    611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500,
    222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

/// The byte of a character in WinAnsi (Windows code page 1252, PDF 32000-1 annex D); a question mark where it has none.
fn win_ansi(c: char) -> u8 {
    match c {
        ' '..='~' => c as u8,
        '\u{a0}'..='\u{ff}' => c as u8,
        '€' => 0x80,
        '‚' => 0x82,
        '…' => 0x85,
        '‘' => 0x91,
        '’' => 0x92,
        '“' => 0x93,
        '”' => 0x94,
        '•' => 0x95,
        '–' => 0x96,
        '—' => 0x97,
        '™' => 0x99,
        'Š' => 0x8a,
        'š' => 0x9a,
        'Ž' => 0x8e,
        'ž' => 0x9e,
        'Œ' => 0x8c,
        'œ' => 0x9c,
        'Ÿ' => 0x9f,
        c if c.is_control() => b' ',
        _ => b'?',
    }
}

fn encoded(text: &str) -> Vec<u8> {
    text.chars().map(win_ansi).collect()
}

/// Width of a text in points. Bold is a little wider; letters outside ASCII are taken as wide as a wide one.
fn width(text: &str, size: f64, bold: bool) -> f64 {
    let sum: f64 = encoded(text)
        .iter()
        .map(|b| match b {
            0x20..=0x7e => f64::from(WIDTHS[usize::from(*b - 0x20)]),
            _ => 667.0,
        })
        .sum();
    sum * size / 1000.0 * if bold { 1.08 } else { 1.0 }
}

/// Breaks a text into lines of at most `room` points, at spaces, and inside words that are too long.
fn wrapped(text: &str, size: f64, bold: bool, room: f64) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let joined = if line.is_empty() {
            word.to_string()
        } else {
            format!("{line} {word}")
        };
        if width(&joined, size, bold) <= room {
            line = joined;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            line.push(c);
            if width(&line, size, bold) > room && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::take(&mut line));
                line.push(c);
            }
        }
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
}

/// Pages being filled from the top down.
struct Pages {
    done: Vec<Content>,
    now: Content,
    /// Where the next thing begins, points from the page's lower edge.
    y: f64,
    title: String,
    code: String,
    means: String,
}

/// Room of the lines to sign on.
const SIGN: f64 = 18.0 * MM;

/// Room that a head needs with the beginning of what it stands over, so that no head ends a page.
fn beginning(head: &Block, rest: &[Block]) -> f64 {
    let own = match head {
        Block::Heading { .. } => 14.0 * MM,
        _ => 9.0 * MM,
    };
    let mut room = own;
    for (i, block) in rest.iter().enumerate() {
        match block {
            Block::Text { text } => {
                room += 13.0 * wrapped(text, 10.0, false, WIDTH).len() as f64 + 1.0 * MM;
            }
            Block::Subheading { .. } => room += 9.0 * MM,
            Block::Table {
                header,
                widths,
                rows,
            } => {
                let columns: Vec<f64> = widths.iter().map(|w| w * WIDTH).collect();
                let signed = matches!(rest.get(i + 1), Some(Block::Sign { .. }));
                room += row_height(header, &columns, true);
                room += opening(rows, &columns, if signed { SIGN } else { 0.0 });
                break;
            }
            Block::List { items, .. } => {
                let signed = matches!(rest.get(i + 1), Some(Block::Sign { .. }));
                room += 13.0;
                room += if signed && items.len() == 1 {
                    SIGN
                } else {
                    0.0
                };
                break;
            }
            _ => break,
        }
    }
    room
}

/// Room for the first row and what may not be parted from it: a row over the whole width says what comes below it, and the last row
/// stands on the page of the `after` points that follow the table.
fn opening(rows: &[Row], columns: &[f64], after: f64) -> f64 {
    let told = rows.iter().take_while(|r| r.whole).count();
    let first = &rows[..rows.len().min(told + 1)];
    let room: f64 = first.iter().map(|r| height_of(r, columns)).sum();
    match first.len() == rows.len() {
        true => room + after,
        false => room,
    }
}

/// The height of a row of a table with these columns.
fn height_of(row: &Row, columns: &[f64]) -> f64 {
    match row.whole {
        true => row_height(&row.cells, &[WIDTH], true),
        false => row_height(&row.cells, columns, false),
    }
}

/// The document's bytes.
pub(super) fn pdf(sheet: &Sheet) -> Vec<u8> {
    let mut pages = Pages {
        done: Vec::new(),
        now: Content::new(),
        y: PAGE_HEIGHT - MARGIN,
        title: sheet.title.clone(),
        code: sheet.code.clone(),
        means: sheet.means.clone(),
    };
    for (i, block) in sheet.blocks.iter().enumerate() {
        let rest = &sheet.blocks[i + 1..];
        if matches!(block, Block::Heading { .. } | Block::Subheading { .. }) {
            pages.need(beginning(block, rest));
        }
        let signed = matches!(rest.first(), Some(Block::Sign { .. }));
        pages.block(block, &sheet.pictures, if signed { SIGN } else { 0.0 });
    }
    pages.turn();
    write(pages.done, &sheet.title)
}

fn write(contents: Vec<Content>, title: &str) -> Vec<u8> {
    let mut pdf = Pdf::new();
    let (catalog, tree, info) = (Ref::new(1), Ref::new(2), Ref::new(3));
    let (regular, bold) = (Ref::new(4), Ref::new(5));
    let page = |i: usize| Ref::new(6 + 2 * i as i32);
    let stream = |i: usize| Ref::new(7 + 2 * i as i32);
    pdf.catalog(catalog).pages(tree);
    pdf.pages(tree)
        .kids((0..contents.len()).map(page))
        .count(contents.len() as i32);
    pdf.document_info(info).title(TextStr(title));
    for (font, name) in [(regular, &b"Helvetica"[..]), (bold, &b"Helvetica-Bold"[..])] {
        pdf.type1_font(font)
            .base_font(Name(name))
            .encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    for (i, content) in contents.into_iter().enumerate() {
        let mut p = pdf.page(page(i));
        p.media_box(Rect::new(0.0, 0.0, PAGE_WIDTH as f32, PAGE_HEIGHT as f32))
            .parent(tree)
            .contents(stream(i));
        p.resources()
            .fonts()
            .pair(REGULAR, regular)
            .pair(BOLD, bold);
        p.finish();
        pdf.stream(stream(i), &content.finish());
    }
    pdf.finish()
}

fn rgb(c: Colour) -> [f32; 3] {
    c.map(|v| f32::from(v) / 255.0)
}

impl Pages {
    /// Ends the page with its foot.
    fn turn(&mut self) {
        let number = self.done.len() + 1;
        let foot = match self.code.as_str() {
            "" => format!("{}, page {number}", self.title),
            code => format!("{}, code {code}, page {number}", self.title),
        };
        self.text(&foot, MARGIN, FOOT, 8.0, false, [0x55; 3]);
        let means = self.means.clone();
        let x = PAGE_WIDTH - MARGIN - width(&means, 8.0, false);
        self.text(&means, x, FOOT, 8.0, false, [0x55; 3]);
        let page = std::mem::replace(&mut self.now, Content::new());
        self.done.push(page);
        self.y = PAGE_HEIGHT - MARGIN;
    }

    /// Turns the page when less than `height` points are left on it.
    fn need(&mut self, height: f64) -> bool {
        let fresh = PAGE_HEIGHT - MARGIN;
        if self.y - height < MARGIN && self.y < fresh {
            self.turn();
            return true;
        }
        false
    }

    fn text(&mut self, text: &str, x: f64, y: f64, size: f64, bold: bool, colour: Colour) {
        let [r, g, b] = rgb(colour);
        self.now
            .begin_text()
            .set_fill_rgb(r, g, b)
            .set_font(if bold { BOLD } else { REGULAR }, size as f32)
            .set_text_matrix([1.0, 0.0, 0.0, 1.0, x as f32, y as f32])
            .show(Str(&encoded(text)))
            .end_text();
    }

    fn paragraph(&mut self, text: &str, size: f64, bold: bool, indent: f64) {
        for line in wrapped(text, size, bold, WIDTH - indent) {
            self.need(size * 1.3);
            self.y -= size * 1.3;
            self.text(
                &line,
                MARGIN + indent,
                self.y + size * 0.3,
                size,
                bold,
                [0x11; 3],
            );
        }
    }

    fn rectangle(
        &mut self,
        x: f64,
        y: f64,
        w: f64,
        h: f64,
        fill: Option<Colour>,
        stroke: (Colour, f64),
    ) {
        let [r, g, b] = rgb(stroke.0);
        self.now
            .set_stroke_rgb(r, g, b)
            .set_line_width(stroke.1 as f32)
            .rect(x as f32, y as f32, w as f32, h as f32);
        match fill {
            Some(fill) => {
                let [r, g, b] = rgb(fill);
                self.now.set_fill_rgb(r, g, b).fill_nonzero_and_stroke();
            }
            None => {
                self.now.stroke();
            }
        }
    }

    /// Draws a block; a table or a list keeps its end on the page of the `after` points that follow it.
    fn block(&mut self, block: &Block, pictures: &[Picture], after: f64) {
        match block {
            Block::Title { text } => {
                self.paragraph(text, 20.0, true, 0.0);
                self.y -= 2.0 * MM;
            }
            Block::Heading { text } => {
                self.y -= 5.0 * MM;
                self.paragraph(text, 15.0, true, 0.0);
                self.rectangle(MARGIN, self.y, WIDTH, 0.0, None, ([0x11; 3], 1.2));
                self.y -= 1.5 * MM;
            }
            Block::Subheading { text } => {
                self.y -= 3.0 * MM;
                self.paragraph(text, 12.0, true, 0.0);
                self.y -= 1.0 * MM;
            }
            Block::Text { text } => {
                self.paragraph(text, 10.0, false, 0.0);
                self.y -= 1.0 * MM;
            }
            Block::List { items, numbered } => {
                for (i, item) in items.iter().enumerate() {
                    let mark = if *numbered {
                        format!("{}.", i + 1)
                    } else {
                        "•".to_string()
                    };
                    let lines = wrapped(item, 10.0, false, WIDTH - 5.0 * MM).len();
                    self.need(match i + 1 == items.len() {
                        true => 13.0 * lines as f64 + after,
                        false => 13.0,
                    });
                    let y = self.y - 10.0;
                    self.text(&mark, MARGIN + 2.0, y, 10.0, false, [0x11; 3]);
                    self.paragraph(item, 10.0, false, 5.0 * MM);
                }
                self.y -= 1.0 * MM;
            }
            Block::Table {
                header,
                widths,
                rows,
            } => self.table(header, widths, rows, after),
            Block::Notice { tone, title, text } => self.notice(*tone, title, text),
            Block::Picture { index } => {
                if let Some(picture) = pictures.get(*index) {
                    self.picture(picture);
                }
            }
            Block::NewPage => {
                if self.y < PAGE_HEIGHT - MARGIN {
                    self.turn();
                }
            }
            Block::Sign { lines } => {
                self.need(SIGN);
                self.y -= 13.0 * MM;
                let gap = 6.0 * MM;
                let n = lines.len().max(1) as f64;
                let each = (WIDTH - gap * (n - 1.0)) / n;
                for (i, line) in lines.iter().enumerate() {
                    let x = MARGIN + i as f64 * (each + gap);
                    self.rectangle(x, self.y, each, 0.0, None, ([0x11; 3], 0.6));
                    self.text(line, x, self.y - 10.0, 9.0, false, [0x11; 3]);
                }
                self.y -= 16.0;
            }
        }
    }

    fn notice(&mut self, tone: Tone, title: &str, text: &str) {
        let (edge, fill) = match tone {
            Tone::Ready => ([0x0a, 0x6b, 0x2e], [0xff, 0xff, 0xff]),
            Tone::Stop => ([0xb3, 0x1b, 0x1b], [0xfd, 0xea, 0xea]),
            Tone::Caution => ([0x9a, 0x6b, 0x00], [0xff, 0xf8, 0xe1]),
        };
        let inner = WIDTH - 6.0 * MM;
        let lines = wrapped(text, 10.0, false, inner);
        let height = 18.0 + 13.0 * lines.len() as f64 + 3.0 * MM;
        self.need(height + 2.0 * MM);
        self.y -= 2.0 * MM + height;
        self.rectangle(MARGIN, self.y, WIDTH, height, Some(fill), (edge, 2.0));
        let x = MARGIN + 3.0 * MM;
        let mut y = self.y + height - 16.0;
        self.text(title, x, y, 13.0, true, [0x11; 3]);
        for line in &lines {
            y -= 13.0;
            self.text(line, x, y, 10.0, false, [0x11; 3]);
        }
        self.y -= 2.0 * MM;
    }

    fn table(&mut self, header: &[String], widths: &[f64], rows: &[Row], after: f64) {
        let columns: Vec<f64> = widths.iter().map(|w| w * WIDTH).collect();
        let head = row_height(header, &columns, true);
        self.need(head + opening(rows, &columns, after));
        self.row(header, &columns, true, Some([0xe8; 3]));
        for (i, row) in rows.iter().enumerate() {
            let (own, fill): (&[f64], Option<Colour>) = match row.whole {
                true => (&[WIDTH], Some([0xff, 0xf3, 0xc4])),
                false => (&columns, None),
            };
            if self.need(opening(&rows[i..], &columns, after)) {
                self.row(header, &columns, true, Some([0xe8; 3]));
            }
            self.row(&row.cells, own, row.whole, fill);
        }
        self.y -= 1.5 * MM;
    }

    fn row(&mut self, cells: &[String], columns: &[f64], bold: bool, fill: Option<Colour>) {
        let height = row_height(cells, columns, bold);
        self.need(height);
        self.y -= height;
        let mut x = MARGIN;
        for (cell, column) in cells.iter().zip(columns) {
            self.rectangle(x, self.y, *column, height, fill, ([0x88; 3], 0.4));
            let mut y = self.y + height - CELL - SMALL;
            for line in wrapped(cell, SMALL, bold, column - 2.0 * CELL) {
                self.text(&line, x + CELL, y, SMALL, bold, [0x11; 3]);
                y -= SMALL * 1.25;
            }
            x += column;
        }
    }

    fn picture(&mut self, picture: &Picture) {
        let b = picture.bounds;
        if b.is_empty() || b.width() <= 0.0 || b.height() <= 0.0 {
            return;
        }
        let scale = (WIDTH / b.width()).min(PICTURE_HEIGHT / b.height());
        let height = b.height() * scale;
        self.need(height + 2.0 * MM);
        self.y -= height + 1.0 * MM;
        let left = MARGIN + 0.5 * (WIDTH - b.width() * scale);
        let bottom = self.y;
        let at = |p: Point| {
            (
                (left + (p.x - b.min.x) * scale) as f32,
                (bottom + (p.y - b.min.y) * scale) as f32,
            )
        };
        // Lines and letters keep their size on paper as far as the picture is as large as it was planned for.
        let paper = picture.unit * scale;
        for mark in &picture.marks {
            match mark {
                Mark::Shape {
                    contours,
                    fill,
                    stroke,
                    dashed,
                } => {
                    let stroke = stroke.map(|(c, w)| (c, w * paper));
                    let dash = dashed.then_some((1.5 * paper) as f32);
                    self.shape(contours, *fill, stroke, dash, &at);
                }
                Mark::Text {
                    at: p,
                    size,
                    anchor,
                    colour,
                    text,
                } => {
                    let size = size * paper;
                    let (x, y) = at(*p);
                    let x = f64::from(x)
                        - match anchor {
                            Anchor::Start => 0.0,
                            Anchor::Middle => 0.5 * width(text, size, false),
                        };
                    self.text(text, x, f64::from(y), size, false, *colour);
                }
            }
        }
        self.y -= 1.0 * MM;
    }

    /// Contours filled, drawn, or both; lengths in points.
    fn shape(
        &mut self,
        contours: &[Contour],
        fill: Option<Colour>,
        stroke: Option<(Colour, f64)>,
        dash: Option<f32>,
        at: &impl Fn(Point) -> (f32, f32),
    ) {
        if let Some((c, w)) = stroke {
            let [r, g, b] = rgb(c);
            self.now.set_stroke_rgb(r, g, b).set_line_width(w as f32);
        }
        if let Some(dash) = dash {
            self.now.set_dash_pattern([dash, dash], 0.0);
        }
        for contour in contours {
            trace(&mut self.now, contour, at);
        }
        match (fill, stroke) {
            (Some(c), stroke) => {
                let [r, g, b] = rgb(c);
                self.now.set_fill_rgb(r, g, b);
                if stroke.is_some() {
                    self.now.fill_even_odd_and_stroke();
                } else {
                    self.now.fill_even_odd();
                }
            }
            (None, Some(_)) => {
                self.now.stroke();
            }
            (None, None) => {
                self.now.end_path();
            }
        }
        if dash.is_some() {
            self.now.set_dash_pattern([], 0.0);
        }
    }
}

/// Letters in tables, points.
const SMALL: f64 = 8.5;

fn row_height(cells: &[String], columns: &[f64], bold: bool) -> f64 {
    let lines = cells
        .iter()
        .zip(columns)
        .map(|(c, w)| wrapped(c, SMALL, bold, w - 2.0 * CELL).len())
        .max()
        .unwrap_or(1);
    lines as f64 * SMALL * 1.25 + 2.0 * CELL
}

/// A contour as a path; arcs become Bézier curves of at most a quarter turn, which deviate from the arc by 0.03 % of its radius.
fn trace(content: &mut Content, contour: &Contour, at: &impl Fn(Point) -> (f32, f32)) {
    for (i, segment) in contour.segments().enumerate() {
        if i == 0 {
            let (x, y) = at(segment.start());
            content.move_to(x, y);
        }
        match segment {
            Segment::Line { b, .. } => {
                let (x, y) = at(b);
                content.line_to(x, y);
            }
            Segment::Arc { sweep, .. } => {
                let n = (sweep.abs() / std::f64::consts::FRAC_PI_2).ceil().max(1.0);
                for k in 0..n as u32 {
                    let k = f64::from(k);
                    if let Segment::Arc {
                        a,
                        b,
                        centre,
                        sweep,
                        ..
                    } = segment.piece(k / n, (k + 1.0) / n)
                    {
                        let reach = 4.0 / 3.0 * (sweep / 4.0).tan();
                        let (c1, c2) = (
                            a + (a - centre).left() * reach,
                            b + (b - centre).left() * -reach,
                        );
                        let ((x1, y1), (x2, y2), (x3, y3)) = (at(c1), at(c2), at(b));
                        content.cubic_to(x1, y1, x2, y2, x3, y3);
                    }
                }
            }
        }
    }
    if contour.closed {
        content.close_path();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_texts_break_and_lose_nothing() {
        let text = "a short one and averyverylongwordthatdoesnotfitanywhere at all";
        let lines = wrapped(text, 10.0, false, 60.0);
        assert!(lines.iter().all(|l| width(l, 10.0, false) <= 60.0));
        let joined: String = lines.concat();
        assert_eq!(joined.replace(' ', ""), text.replace(' ', ""));
    }

    /// Wherever a table begins on a page, a row of figures follows its head there.
    #[test]
    fn no_head_of_a_table_ends_a_page() {
        let cells = |text: &str| vec![text.to_string(), text.to_string()];
        let row = |text: &str, whole| Row {
            cells: cells(text),
            whole,
        };
        let rows = [
            row("the pause", true),
            row("the cutter", true),
            row("figures", false),
        ];
        for tenth in 0..400 {
            let mut pages = Pages {
                done: Vec::new(),
                now: Content::new(),
                y: MARGIN + 0.5 * f64::from(tenth),
                title: String::new(),
                code: String::new(),
                means: String::new(),
            };
            pages.table(&cells("the head"), &[0.5, 0.5], &rows, 0.0);
            pages.turn();
            for page in pages.done {
                let text = String::from_utf8_lossy(&page.finish()).into_owned();
                assert_eq!(
                    text.contains("the head"),
                    text.contains("figures"),
                    "{tenth}"
                );
            }
        }
    }

    #[test]
    fn letters_are_those_of_code_page_1252() {
        assert_eq!(
            encoded("Größe × 3 – “x”"),
            b"Gr\xf6\xdfe \xd7 3 \x96 \x93x\x94"
        );
        assert_eq!(encoded("\u{1}木"), b" ?");
    }
}
