//! The limits that DEVELOPERS.md sets, and what stands against them.

use std::collections::BTreeMap;

/// The tables of DEVELOPERS.md that this crate reads.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Limits {
    /// Measure → greatest value.
    pub limits: BTreeMap<String, usize>,
    /// Functions that may be longer than 80 lines, as `file::name`, each with its reason.
    pub long: BTreeMap<String, String>,
}

/// Lines from which a function needs a reason.
pub const LONG_FUNCTION: usize = 80;

/// Rows of the table with this head.
pub fn table(text: &str, head: &str) -> Vec<Vec<String>> {
    let from = text.lines().skip_while(|l| *l != head);
    from.skip(2)
        .take_while(|l| l.starts_with('|'))
        .map(|row| {
            let cells = row.trim().trim_matches('|').split('|');
            cells.map(|c| c.trim().to_string()).collect()
        })
        .collect()
}

impl Limits {
    /// From the text of DEVELOPERS.md.
    ///
    /// # Errors
    /// Which row is no limit.
    pub fn parse(text: &str) -> Result<Limits, String> {
        let mut read = Limits::default();
        for row in table(text, "| measure | limit |") {
            let [measure, limit] = row.as_slice() else {
                return Err(format!("no measure and limit: {row:?}"));
            };
            let limit = limit
                .replace(',', "")
                .parse()
                .map_err(|_| format!("no number: {row:?}"))?;
            read.limits.insert(measure.clone(), limit);
        }
        for row in table(text, "| function over 80 lines | why it stays one |") {
            let [function, why] = row.as_slice() else {
                return Err(format!("no function and reason: {row:?}"));
            };
            let function = function.trim_matches('`').to_string();
            read.long.insert(function, why.clone());
        }
        Ok(read)
    }

    /// What is past a limit, in sentences. `measured` has every measure; `long` every function of the product over 80 lines.
    pub fn passed(&self, measured: &BTreeMap<&str, usize>, long: &[String]) -> Vec<String> {
        let mut out = Vec::new();
        for (measure, limit) in &self.limits {
            match measured.get(measure.as_str()) {
                Some(value) if value > limit => {
                    out.push(format!("{measure}: {value}, and the limit is {limit}"));
                }
                Some(_) => {}
                None => out.push(format!(
                    "{measure}: DEVELOPERS.md limits what is not measured"
                )),
            }
        }
        for measure in measured.keys().filter(|m| !self.limits.contains_key(**m)) {
            out.push(format!("{measure}: DEVELOPERS.md has no limit"));
        }
        for function in long {
            if self.long.get(function).is_none_or(String::is_empty) {
                out.push(format!("{function} is longer than {LONG_FUNCTION} lines without a reason in DEVELOPERS.md"));
            }
        }
        for function in self.long.keys().filter(|f| !long.contains(f)) {
            out.push(format!("{function} is not longer than {LONG_FUNCTION} lines any more; take it out of DEVELOPERS.md"));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str =
        "# A\n\n| measure | limit |\n|---|---|\n| circles | 6 |\n| lines | 1,000 |\n\ntext\n
| function over 80 lines | why it stays one |\n|---|---|\n| `a.rs::f` | a table of cases |\n";

    #[test]
    fn limits_and_reasons_are_read_and_compared() {
        let limits = Limits::parse(TEXT).unwrap();
        assert_eq!(limits.limits["lines"], 1000);
        let at = |circles, lines| BTreeMap::from([("circles", circles), ("lines", lines)]);
        let long = ["a.rs::f".to_string()];
        assert_eq!(limits.passed(&at(6, 1000), &long), Vec::<String>::new());
        let passed = limits.passed(&at(7, 1001), &["b.rs::g".to_string()]);
        assert_eq!(passed.len(), 4, "{passed:#?}");
        let unknown = limits.passed(&BTreeMap::from([("circles", 0), ("width", 3)]), &long);
        assert_eq!(unknown.len(), 2, "{unknown:#?}");
        assert!(Limits::parse(&TEXT.replace("1,000", "many")).is_err());
    }
}
