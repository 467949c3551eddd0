//! Blocks that are longer than a line may be, divided where that changes nothing.

use super::Writer;
use grainway_pipeline::dialect::DialectError;

/// Letters of words that stay in force, so that they may stand on a line before the one that needs them.
const SETTINGS: [u8; 2] = [b'F', b'S'];

impl Writer<'_> {
    /// Hands on the line that was put together as several.
    pub(super) fn divide(&mut self) -> Result<(), DialectError> {
        let line = std::mem::take(&mut self.line);
        let starts = std::mem::take(&mut self.starts);
        let ends = starts.iter().skip(1).copied().chain([line.len()]);
        let separator = self.file.lines.separator.byte();
        let words: Vec<&[u8]> = starts
            .iter()
            .zip(ends)
            .map(|(from, to)| {
                let word = &line[*from..to];
                match separator {
                    Some(b) => word.strip_suffix(&[b]).unwrap_or(word),
                    None => word,
                }
            })
            .collect();
        let lines = match self.modes {
            true => self.filled_up(&words),
            false => self.settings_first(&words),
        };
        for (i, words) in lines.iter().enumerate() {
            match i {
                // The block's number is said already.
                0 => {
                    let number = &line[..starts.first().copied().unwrap_or(0)];
                    let number = match (separator, number) {
                        (Some(b), [number @ .., last]) if *last == b => number,
                        _ => number,
                    };
                    self.line.extend_from_slice(number);
                    self.block_line = true;
                }
                _ => self.begin_block(),
            }
            for word in words {
                self.begin_word();
                self.line.extend_from_slice(word);
            }
            self.hand_on()?;
        }
        // A comment without words, or a line of the file that is not divided.
        match lines.is_empty() {
            true => {
                self.line = line;
                self.hand_on()
            }
            false => Ok(()),
        }
    }

    /// Each line as full as it may be. What is neither G nor M belongs to the word before it.
    fn filled_up<'w>(&self, words: &[&'w [u8]]) -> Vec<Vec<&'w [u8]>> {
        let mut lines: Vec<Vec<&[u8]>> = Vec::new();
        let between = usize::from(self.file.lines.separator.byte().is_some());
        let room = self.file.lines.length.saturating_sub(self.other_room());
        let mut used = 0;
        let mut at = 0;
        while at < words.len() {
            let more = words[at + 1..]
                .iter()
                .take_while(|w| !matches!(w.first(), Some(b'G' | b'M')));
            let end = at + 1 + more.count();
            let length: usize = words[at..end].iter().map(|w| w.len() + between).sum();
            match lines.last_mut() {
                Some(line) if used + length <= room => line.extend_from_slice(&words[at..end]),
                _ => {
                    lines.push(words[at..end].to_vec());
                    used = 0;
                }
            }
            used += length;
            at = end;
        }
        lines
    }

    /// Words of so many characters, each with what separates it, fit into a line.
    pub(super) fn fits(&self, characters: usize) -> bool {
        let between = usize::from(self.file.lines.separator.byte().is_some());
        let length = self.file.lines.length;
        length == 0 || characters + self.other_room() <= length + between
    }

    /// Characters of a block's number with what separates it, and of its end.
    fn other_room(&self) -> usize {
        let lines = &self.file.lines;
        let number = lines.block_numbers.as_ref();
        let number = number.map_or(0, |b| 2 + b.largest.to_string().len());
        number + usize::from(lines.block_end.is_some())
    }

    /// Settings on lines of their own, then what is left.
    fn settings_first<'w>(&self, words: &[&'w [u8]]) -> Vec<Vec<&'w [u8]>> {
        let low = self
            .file
            .cycles
            .as_ref()
            .and_then(|c| c.return_low.as_ref());
        let alone = |word: &&&[u8]| {
            word.first().is_some_and(|b| SETTINGS.contains(b))
                || low.is_some_and(|low| low.as_bytes() == **word)
        };
        let mut lines: Vec<Vec<&[u8]>> = words.iter().filter(alone).map(|w| vec![*w]).collect();
        lines.push(words.iter().filter(|w| !alone(w)).copied().collect());
        lines.retain(|line| !line.is_empty());
        lines
    }
}
