//! What the keys of a data file of blocks and words say that cannot be right.

use crate::complaints::{Common, Complaints};
use crate::file::{
    Arcs, Centre, Characters, CommentStyle, DialectFile, Lengths, Mark, PathMode, Separator,
    SpindleSpeed, Through,
};
use crate::template;
use grainway_pipeline::doc::Problem;

/// Least digits after the point in millimetres: with fewer, no arc could keep the published limit of 0.002 mm between its two
/// radii (NISTIR 6556, 3.5.3.2).
const LEAST_DECIMALS_MM: u8 = 3;
/// The same in inches, for the limit of 0.0002 in.
const LEAST_DECIMALS_INCH: u8 = 4;
/// Most digits: more would outrun the 17 significant figures that the published language keeps.
const MOST_DECIMALS: u8 = 6;
/// Letters that cannot hold the time of a dwell, since they begin words of another kind.
const NO_DWELL_LETTERS: [char; 4] = ['G', 'M', 'N', 'O'];
/// Most digits after the point of a time or of a share of the spindle's speed.
const MOST_FINE_DECIMALS: u8 = 3;
/// Characters that may end a block.
const BLOCK_ENDS: &str = "*;:!$";
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
        let worded = self.units.mm.is_some() || self.units.inch.is_some();
        found.unless(
            worded || self.units.only.is_some(),
            "/units",
            "needs a word for millimetres or for inches, or the only unit that there is",
        );
        found.unless(
            !worded || self.units.only.is_none(),
            "/units/only",
            "must be null where a word chooses the unit, or both words must be",
        );
        let n = &self.numbers;
        if n.lengths == Lengths::Counts {
            self.check_counts(found);
        }
        found.unless(
            n.mark == Mark::Point || !(self.language.expressions || self.language.parameters),
            "/numbers/mark",
            "must be \"point\" where the language has expressions or parameters",
        );
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

    /// Whole numbers have no point, and nothing that is computed is one.
    fn check_counts(&self, found: &mut Complaints) {
        let n = &self.numbers;
        found.unless(
            !n.point_always && !n.trailing_zeros && n.leading_zero,
            "/numbers/lengths",
            "counts are whole numbers: point-always and trailing-zeros must be false, leading-zero true",
        );
        found.unless(
            !self.language.point_required,
            "/language/point-required",
            "must be false, since lengths are counts without a point",
        );
        found.unless(
            !self.language.expressions && !self.language.parameters,
            "/language/expressions",
            "must be false, as parameters: what they come to is no count",
        );
    }

    fn check_lines(&self, found: &mut Complaints) {
        found.unless(
            self.lines.separator != Separator::Comma || self.numbers.mark == Mark::Point,
            "/lines/separator",
            "must not be a comma, which is the mark of fractions already",
        );
        found.unless(
            self.lines.separator != Separator::Tab
                || self.lines.characters == Characters::Printable,
            "/lines/separator",
            "must not be a tabulator, which is no character of the text",
        );
        found.unless(
            self.lines.length == 0 || self.lines.length >= 40,
            "/lines/length",
            "must be 0 (no limit) or at least 40: a straight move's block does not fit into less",
        );
        found.unless(
            self.lines.word_order.chars().all(|c| LETTERS.contains(&c)),
            "/lines/word-order",
            "must be capital letters",
        );
        let end = self.lines.block_end;
        found.unless(
            end.is_none_or(|c| BLOCK_ENDS.contains(c) && self.lines.characters.holds(c as u8)),
            "/lines/block-end",
            "must be one of * ; : ! $ that the text may hold",
        );
        found.unless(
            end != Some(';') || self.comments != CommentStyle::Semicolon,
            "/lines/block-end",
            "must not be what begins a remark",
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
            !arcs.one_quadrant || !by_radius && !arcs.full_circles,
            "/arcs/one-quadrant",
            "must be false where a full circle is one arc, and where arcs are said by radius: say a largest-sweep of 90 degrees",
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
        if let Some(dwell) = &self.dwell {
            found.unless(
                dwell.letter.is_ascii_uppercase() && !NO_DWELL_LETTERS.contains(&dwell.letter),
                "/dwell/letter",
                "must be a capital letter other than G, M, N and O",
            );
            found.unless(
                dwell.digits() <= MOST_FINE_DECIMALS,
                "/dwell/decimals",
                "must be at most 3",
            );
            found.unless(
                dwell.coarse_step() <= 1.0,
                "/dwell/decimals",
                "must be enough for steps of at most a second",
            );
        }
        self.check_spindle(found);
        self.check_home(found);
        self.check_macros(found);
        self.check_program_number(found);
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

    fn check_spindle(&self, found: &mut Complaints) {
        match self.spindle.as_ref().map(|s| s.speed) {
            Some(SpindleSpeed::Percent { of, decimals }) => {
                found.unless(
                    (1000.0..=200_000.0).contains(&of),
                    "/spindle/speed/percent/of",
                    "must be the speed at 100 per cent, 1000 to 200000 rev/min",
                );
                let step = of / 10f64.powi(2 + i32::from(decimals));
                found.unless(
                    decimals <= MOST_FINE_DECIMALS && step <= 500.0,
                    "/spindle/speed/percent/decimals",
                    "must be at most 3, and make steps of at most 500 rev/min",
                );
            }
            Some(SpindleSpeed::Panel) => found.unless(
                self.comments != CommentStyle::None,
                "/spindle/speed",
                "must not be \"panel\" where there are no comments: nothing would tell the speed that is to be set",
            ),
            _ => {}
        }
    }

    fn check_home(&self, found: &mut Complaints) {
        let Some(home) = self.home else { return };
        found.unless(
            matches!(home.g, 28 | 30),
            "/home/g",
            "must be 28 or 30, the codes that go to a home position",
        );
        let safe = |lines: &Vec<String>| lines.iter().any(|l| l.contains("safe"));
        let named = self.retract_full.as_ref().is_some_and(safe);
        found.unless(
            home.through == Through::Named || !named,
            "/home/through",
            "must be \"named\" where retract-full names the safe height",
        );
    }

    /// A call is words of a letter and a number.
    fn check_macros(&self, found: &mut Complaints) {
        let is_word = |word: &str| {
            let digits = word
                .strip_prefix(|c| LETTERS.contains(&c))
                .unwrap_or_default();
            !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit())
        };
        for (i, called) in self.macros.iter().enumerate() {
            let mut words = called.call.split_ascii_whitespace().peekable();
            found.unless(
                words.peek().is_some() && words.all(is_word),
                &format!("/macros/{i}/call"),
                "must be words of a capital letter and a whole number, such as \"G65 P9001\"",
            );
            found.unless(
                called.cutter.is_none_or(|c| LETTERS.contains(&c)),
                &format!("/macros/{i}/cutter"),
                "must be a capital letter",
            );
        }
    }

    fn check_program_number(&self, found: &mut Complaints) {
        found.unless(
            matches!(self.language.program_number, None | Some(':' | '%')),
            "/language/program-number",
            "must be \":\" or \"%\"; the letter O stands in `letters`",
        );
    }

    /// Templates are tried out with sample values, so that a slip shows now and not at the machine.
    fn check_templates(&self, found: &mut Complaints) {
        for (pointer, line, known) in self.templates() {
            match template::sample(line, known, self) {
                Ok(text) if !self.fits(&pointer, &text) => found.add(
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
        for (i, line) in self.retract_full.iter().flatten().enumerate() {
            all.push((format!("/retract-full/{i}"), line, &["safe"]));
        }
        all
    }

    fn fits(&self, pointer: &str, line: &str) -> bool {
        let plain = line.bytes().all(|b| self.lines.characters.holds(b));
        // Lines of modes are divided.
        let any_length = self.lines.length == 0 || DialectFile::divides(pointer);
        plain && (any_length || line.len() <= self.lines.length)
    }

    /// Lines at this place are divided where they are too long: they hold modes alone.
    pub(crate) fn divides(pointer: &str) -> bool {
        pointer.starts_with("/safe-start") || pointer.starts_with("/step-start")
    }
}
