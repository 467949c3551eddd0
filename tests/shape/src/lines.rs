//! Lines of a file by kind.

use proc_macro2::{TokenStream, TokenTree};
use std::collections::BTreeSet;
use std::ops::RangeInclusive;

/// Lines by kind. A line counts once.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Lines {
    /// Code of the product.
    pub product: usize,
    /// Code of tests: of test crates, test targets, and whatever stands under `#[cfg(test)]`.
    pub test: usize,
    /// Blank lines and lines with nothing but a comment; documentation is a comment.
    pub rest: usize,
}

impl Lines {
    /// Both together.
    pub fn plus(self, other: Lines) -> Lines {
        Lines {
            product: self.product + other.product,
            test: self.test + other.test,
            rest: self.rest + other.rest,
        }
    }
}

/// Counts the lines of a text whose lines in `tests` are code of tests; all of them when `all_test`.
pub fn count(
    text: &str,
    tokens: TokenStream,
    tests: &[RangeInclusive<usize>],
    all_test: bool,
) -> Lines {
    let lines: Vec<&str> = text.lines().collect();
    let mut code = BTreeSet::new();
    mark(&lines, tokens, &mut code);
    let is_test = |line: &usize| all_test || tests.iter().any(|r| r.contains(line));
    let test = code.iter().filter(|line| is_test(line)).count();
    Lines {
        product: code.len() - test,
        test,
        rest: lines.len().saturating_sub(code.len()),
    }
}

/// Adds the numbers of the lines that hold a token. A doc comment reaches the parser as tokens that stand where the comment does.
fn mark(lines: &[&str], tokens: TokenStream, code: &mut BTreeSet<usize>) {
    for token in tokens {
        let start = token.span().start();
        let line = lines.get(start.line.saturating_sub(1)).unwrap_or(&"");
        let here: String = line.chars().skip(start.column).take(2).collect();
        if here == "//" || here == "/*" {
            continue;
        }
        match token {
            TokenTree::Group(group) => {
                code.insert(group.span_open().start().line);
                mark(lines, group.stream(), code);
                code.insert(group.span_close().end().line);
            }
            other => code.extend(start.line..=other.span().end().line),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_code_of_the_product_or_of_tests_or_neither() {
        let text = "//! About.\n\n/// Says\n/// more.\nfn f() {\n    // why\n    g(\"a\n b\"); // after code\n}\n/* a\n b */\nfn t() {}\n";
        let lines = count(text, text.parse().unwrap(), &[12..=12], false);
        assert_eq!((lines.product, lines.test, lines.rest), (4, 1, 7));
        assert_eq!(count(text, text.parse().unwrap(), &[], true).test, 5);
    }
}
