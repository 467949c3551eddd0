//! What layers mean: the job's rules, first match wins.

use grainway_pipeline::doc::{Depth, FeatureKind, LayerRule, Length, Pointer};
use grainway_pipeline::finding::{Finding, code};
use regex::Regex;

/// The rules of one drawing that can be used.
pub(super) struct Rules<'a> {
    rules: Vec<Rule<'a>>,
}

struct Rule<'a> {
    regex: Regex,
    doc: &'a LayerRule,
    pointer: Pointer,
}

/// What a layer means.
#[derive(Clone, Debug)]
pub(super) enum Meaning<'a> {
    /// Ignored by a rule.
    Ignored,
    /// Its contours become features.
    Make(Making<'a>),
    /// A rule matches but cannot be used; a finding says why.
    Unusable,
    /// No rule matches.
    None,
}

/// What the contours of a layer become.
#[derive(Clone, Debug)]
pub(super) struct Making<'a> {
    pub kind: FeatureKind,
    pub rule: &'a LayerRule,
    pub pointer: Pointer,
    /// As captured or as the rule gives it.
    pub depth: Option<Depth>,
    /// The depth was captured from the layer's name, mm.
    pub captured_depth: Option<f64>,
    /// Captured from the layer's name, mm.
    pub diameter: Option<f64>,
}

impl<'a> Rules<'a> {
    /// Compiles the rules; those that cannot be used are findings and match nothing but their layers.
    pub(super) fn compile(
        rules: &'a [LayerRule],
        pointer: &Pointer,
        findings: &mut Vec<Finding>,
    ) -> Rules<'a> {
        let mut usable = Vec::new();
        for (i, doc) in rules.iter().enumerate() {
            let pointer = pointer.step("layers").step(i);
            let mut invalid = |at: Pointer, message: String| {
                findings.push(Finding::new(&code::DOCUMENT_INVALID, message).pointer(at));
            };
            let others = doc.make.is_some()
                || doc.depth.is_some()
                || doc.left.is_some()
                || doc.relief.is_some()
                || doc.band_outside.is_some()
                || !doc.side.is_face();
            match (doc.ignore, doc.make) {
                (true, _) if others || doc.cutter.is_some() || doc.if_unreachable.is_some() => {
                    invalid(
                        pointer.step("ignore"),
                        "A rule that ignores its layers says something else as well.".to_string(),
                    );
                }
                (false, None) => invalid(
                    pointer.clone(),
                    "A rule says neither what to make nor to ignore.".to_string(),
                ),
                _ => {}
            }
            if doc.depth.is_some() && doc.left.is_some() {
                invalid(
                    pointer.step("left"),
                    "A rule gives both a depth and the wood left under it.".to_string(),
                );
            }
            if !doc.side.is_flat() {
                invalid(
                    pointer.step("side"),
                    "A drawing shows the face of its parts; what is cut from an edge or an end is given in the job's `parts`.".to_string(),
                );
            }
            // The whole name must match, so that "pocket" does not catch "pocket-notes".
            match Regex::new(&format!("^(?:{})$", doc.layer)) {
                Ok(regex) => usable.push(Rule {
                    regex,
                    doc,
                    pointer,
                }),
                Err(e) => {
                    let why = e.to_string();
                    let last = why
                        .lines()
                        .last()
                        .unwrap_or_default()
                        .trim_start_matches("error: ")
                        .to_string();
                    invalid(
                        pointer.step("layer"),
                        format!("\"{}\" is not a regular expression: {last}.", doc.layer),
                    );
                }
            }
        }
        Rules { rules: usable }
    }

    /// What a layer means. `unit_mm`: millimetres in one of the drawing's units, in which captured numbers count.
    pub(super) fn meaning(
        &self,
        layer: &str,
        unit_mm: f64,
        findings: &mut Vec<Finding>,
    ) -> Meaning<'a> {
        let Some((rule, captures)) = self
            .rules
            .iter()
            .find_map(|r| Some((r, r.regex.captures(layer)?)))
        else {
            return Meaning::None;
        };
        if rule.doc.ignore {
            return Meaning::Ignored;
        }
        let Some(kind) = rule.doc.make else {
            return Meaning::Unusable;
        };
        let mut usable = true;
        let mut number = |group: &str| -> Option<f64> {
            let text = captures.name(group)?.as_str();
            let read = text
                .replace(',', ".")
                .parse::<f64>()
                .ok()
                .filter(|v| v.is_finite() && *v > 0.0);
            if read.is_none() {
                usable = false;
                let message = format!(
                    "The {group} \"{text}\" captured from the layer {layer} is not a number above zero."
                );
                findings.push(
                    Finding::new(&code::BAD_NUMBER, message).pointer(rule.pointer.step("layer")),
                );
            }
            read.map(|v| v * unit_mm)
        };
        let (captured_depth, diameter) = (number("depth"), number("diameter"));
        if !usable {
            return Meaning::Unusable;
        }
        let depth = captured_depth
            .map(|d| Depth::Below(Length::from_mm(d)))
            .or(rule.doc.depth);
        let through_by_kind = matches!(kind, FeatureKind::Cutout | FeatureKind::Outline);
        if depth.is_none() && rule.doc.left.is_none() && !through_by_kind {
            let message = format!("Nothing says how deep the contours on the layer {layer} are.");
            let remedy =
                "Give the rule a depth, the wood left, or a group named depth in its expression.";
            findings.push(
                Finding::new(&code::DOCUMENT_INVALID, message)
                    .pointer(rule.pointer.clone())
                    .remedy(remedy),
            );
            return Meaning::Unusable;
        }
        Meaning::Make(Making {
            kind,
            rule: rule.doc,
            pointer: rule.pointer.clone(),
            depth,
            captured_depth,
            diameter,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rule(layer: &str, make: Option<FeatureKind>) -> LayerRule {
        LayerRule {
            layer: layer.to_string(),
            ignore: make.is_none(),
            make,
            side: Default::default(),
            depth: None,
            left: None,
            relief: None,
            band_outside: None,
            if_unreachable: None,
            cutter: None,
        }
    }

    #[test]
    fn first_match_wins_and_captures_count_in_the_drawings_unit() {
        let docs = [
            rule("0", None),
            rule(
                "HOLE-(?P<diameter>[0-9.]+)_(?P<depth>[0-9.]+)",
                Some(FeatureKind::Hole),
            ),
            rule("HOLE.*", None),
        ];
        let mut findings = Vec::new();
        let rules = Rules::compile(
            &docs,
            &Pointer::job().step("drawings").step(0),
            &mut findings,
        );
        assert!(findings.is_empty(), "{findings:?}");
        let Meaning::Make(m) = rules.meaning("HOLE-0.5_1.25", 25.4, &mut findings) else {
            panic!()
        };
        assert!(
            (m.diameter.unwrap() - 12.7).abs() < 1e-9
                && (m.captured_depth.unwrap() - 31.75).abs() < 1e-9
        );
        assert!(matches!(
            rules.meaning("HOLE-x", 1.0, &mut findings),
            Meaning::Ignored
        ));
        assert!(
            matches!(rules.meaning("00", 1.0, &mut findings), Meaning::None),
            "the whole name must match"
        );
        assert!(matches!(
            rules.meaning("HOLE-5_0", 1.0, &mut findings),
            Meaning::Unusable
        ));
        assert_eq!(findings.len(), 1);
        assert_eq!(findings[0].code, "bad-number");
    }

    #[test]
    fn unusable_rules_are_findings() {
        let mut both = rule("a", Some(FeatureKind::Pocket));
        both.depth = Some(Depth::Through);
        both.left = Some(Length::from_mm(1.0));
        let mut ignoring = rule("b", Some(FeatureKind::Pocket));
        ignoring.ignore = true;
        let mut silent = rule("c", None);
        silent.ignore = false;
        let docs = [
            rule("(", Some(FeatureKind::Pocket)),
            both,
            ignoring,
            silent,
            rule("d", Some(FeatureKind::Pocket)),
        ];
        let mut findings = Vec::new();
        let rules = Rules::compile(
            &docs,
            &Pointer::job().step("drawings").step(0),
            &mut findings,
        );
        let places: Vec<_> = findings
            .iter()
            .filter_map(|f| f.pointer.as_ref().map(Pointer::as_str))
            .collect();
        let at = |s: &str| format!("job#/drawings/0/layers/{s}");
        assert_eq!(
            places,
            [at("0/layer"), at("1/left"), at("2/ignore"), at("3")]
        );
        // No depth anywhere.
        assert!(matches!(
            rules.meaning("d", 1.0, &mut findings),
            Meaning::Unusable
        ));
    }
}
