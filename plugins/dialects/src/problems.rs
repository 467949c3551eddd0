//! What the keys of a data file of blocks and words say that cannot be right.

use crate::complaints::{Common, Complaints};
use crate::file::{Arcs, Centre, DialectFile, PathMode};
use crate::template;
use grainway_pipeline::doc::Problem;

/// Least digits after the point in millimetres: with fewer, no arc could keep the published limit of 0.002 mm between its two
/// radii (NISTIR 6556, 3.5.3.2).
const LEAST_DECIMALS_MM: u8 = 3;
/// The same in inches, for the limit of 0.0002 in.
const LEAST_DECIMALS_INCH: u8 = 4;
/// Most digits: more would outrun the 17 significant figures that the published language keeps.
const MOST_DECIMALS: u8 = 6;
/// Letters of the time of a dwell: P in NISTIR 6556; X and F besides it in other controls of ISO 6983 (from memory).
const DWELL_LETTERS: [char; 3] = ['P', 'X', 'F'];
/// Letters that begin words.
const LETTERS: std::ops::RangeInclusive<char> = 'A'..='Z';

impl DialectFile {
    /// All of them at once.
    pub(crate) fn problems(&self) -> Vec<Problem> {
        let mut found = Complaints::default();
        let common = Common {
            format: &self.format,
            name: &self.name,
            ending: &self.ending,
            usual_ending: ".ngc",
            blocks_per_second: self.blocks_per_second,
            axes: self.axes,
            files: self.files,
        };
        common.check(&mut found);
        self.check_numbers(&mut found);
        self.check_lines(&mut found);
        if let Some(arcs) = &self.arcs {
            self.check_arcs(arcs, &mut found);
        }
        self.check_lengths(&mut found);
        self.check_language(&mut found);
        self.check_templates(&mut found);
        found.all()
    }

    fn check_numbers(&self, found: &mut Complaints) {
        found.unless(
            self.units.mm.is_some() || self.units.inch.is_some(),
            "/units",
            "needs a word for millimetres or for inches",
        );
        let n = &self.numbers;
        found.unless(
            (LEAST_DECIMALS_MM..=MOST_DECIMALS).contains(&n.decimals_mm),
            "/numbers/decimals-mm",
            "must be 3 to 6: with fewer, arcs cannot keep the published limit of 0.002 mm",
        );
        found.unless(
            (LEAST_DECIMALS_INCH..=MOST_DECIMALS).contains(&n.decimals_inch),
            "/numbers/decimals-inch",
            "must be 4 to 6: with fewer, arcs cannot keep the published limit of 0.0002 in",
        );
        found.unless(
            n.point_always || !self.language.point_required,
            "/numbers/point-always",
            "must be true, since the language requires a point",
        );
        found.unless(
            n.feed_decimals_mm <= MOST_DECIMALS && n.feed_decimals_inch <= MOST_DECIMALS,
            "/numbers",
            "feeds have at most 6 digits after the point",
        );
    }

    fn check_lines(&self, found: &mut Complaints) {
        found.unless(
            self.lines.length == 0 || self.lines.length >= 40,
            "/lines/length",
            "must be 0 (no limit) or at least 40: an arc's block does not fit into less",
        );
        found.unless(
            self.lines.word_order.chars().all(|c| LETTERS.contains(&c)),
            "/lines/word-order",
            "must be capital letters",
        );
        if let Some(b) = &self.lines.block_numbers {
            found.unless(
                b.step >= 1 && b.first <= b.largest && b.largest <= 99_999,
                "/lines/block-numbers",
                "needs a step of at least 1 and numbers of at most five digits",
            );
        }
    }

    fn check_arcs(&self, arcs: &Arcs, found: &mut Complaints) {
        found.unless(
            arcs.largest_sweep >= 30.0 && arcs.largest_sweep <= 360.0,
            "/arcs/largest-sweep",
            "must be 30 to 360 degrees",
        );
        found.unless(
            arcs.largest_radius_mm.is_none_or(|r| r > 0.0),
            "/arcs/largest-radius-mm",
            "must be more than 0",
        );
        let by_radius = arcs.centre == Centre::Radius;
        found.unless(
            !by_radius || (arcs.largest_sweep <= 170.0 && !arcs.full_circles),
            "/arcs",
            "arcs by radius are at most 170 degrees and no full circles: near half a turn their centre is lost in rounding",
        );
        found.unless(
            !by_radius || self.language.radius_arcs,
            "/language/radius-arcs",
            "must be true, since the arcs are written by radius",
        );
        found.unless(
            (0.0..=1.0).contains(&arcs.shortest_mm),
            "/arcs/shortest-mm",
            "must be 0 to 1 mm",
        );
    }

    fn check_lengths(&self, found: &mut Complaints) {
        found.unless(
            self.chord_tolerance_mm >= 0.0005 && self.chord_tolerance_mm <= 0.1,
            "/chord-tolerance-mm",
            "must be 0.0005 to 0.1 mm",
        );
        found.unless(
            self.peck_back_off_mm > 0.0 && self.peck_back_off_mm <= 5.0,
            "/peck-back-off-mm",
            "must be more than 0 and at most 5 mm",
        );
    }

    fn check_language(&self, found: &mut Complaints) {
        let is_code = |g: &String| g.parse::<f64>().is_ok_and(|v| (0.0..100.0).contains(&v));
        found.unless(
            self.language.g.iter().all(is_code),
            "/language/g",
            "must be codes such as \"1\" or \"59.1\"",
        );
        found.unless(
            self.dwell
                .as_ref()
                .is_none_or(|d| DWELL_LETTERS.contains(&d.letter)),
            "/dwell/letter",
            "must be P, X or F: the letters with which languages of this form say a time",
        );
        found.unless(
            self.cutter_change.is_none() || self.length_offset.is_some() || self.length_by_change,
            "/length-offset",
            "the machine changes cutters and nothing calls their lengths: give the words, such as \"G43 H{{ cutter }}\", or say length-by-change where the change itself does",
        );
        if let Some(PathMode::Continuous { tolerance_mm }) = self.path_mode {
            found.unless(
                (0.001..=0.1).contains(&tolerance_mm),
                "/path-mode/continuous/tolerance-mm",
                "must be 0.001 to 0.1 mm",
            );
        }
    }

    /// Templates are tried out with sample values, so that a slip shows now and not at the machine.
    fn check_templates(&self, found: &mut Complaints) {
        for (pointer, line, known) in self.templates() {
            match template::sample(line, known, self) {
                Ok(text) if !self.fits(&text) => found.add(
                    &pointer,
                    format!(
                        "makes \"{text}\", which is not plain ASCII or longer than a line may be"
                    ),
                ),
                Ok(_) => {}
                Err(why) => found.add(&pointer, format!("{why}; known here: {}", known.join(", "))),
            }
        }
    }

    /// Every line with places in it: its JSON Pointer, its text, the names that are known in it.
    pub(crate) fn templates(&self) -> Vec<(String, &str, &'static [&'static str])> {
        let head: &[&str] = &["name", "number"];
        let block: &[&str] = &["units", "name", "number"];
        let change = self.cutter_change.as_deref().unwrap_or_default();
        let lists: [(&str, &[String], &[&str]); 5] = [
            ("/start", &self.start, head),
            ("/safe-start", &self.safe_start, block),
            ("/step-start", &self.step_start, block),
            ("/end", &self.end, head),
            ("/cutter-change", change, &["cutter", "units"]),
        ];
        let mut all = Vec::new();
        for (pointer, lines, known) in lists {
            for (i, line) in lines.iter().enumerate() {
                all.push((format!("{pointer}/{i}"), line.as_str(), known));
            }
        }
        if let Some(line) = &self.length_offset {
            all.push(("/length-offset".into(), line, &["cutter"]));
        }
        all
    }

    fn fits(&self, line: &str) -> bool {
        let plain = line.bytes().all(|b| self.lines.characters.holds(b));
        plain && (self.lines.length == 0 || line.len() <= self.lines.length)
    }
}
