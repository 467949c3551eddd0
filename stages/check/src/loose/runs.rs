//! Cells side by side in a row that are alike, as one: a board has a million cells and a few thousand such runs.

/// All cells of a grid in runs, row by row; neither ends in a row another than it began in.
pub(super) struct Runs {
    /// Cells in a row.
    columns: usize,
    /// The first cell of each run, and the number of all cells.
    from: Vec<usize>,
    /// The first run of each row, and the number of all runs.
    rows: Vec<usize>,
}

impl Runs {
    /// Of cells in rows of `columns`; neighbours in a row are alike when their keys are equal.
    pub(super) fn new<K: PartialEq>(keys: &[K], columns: usize) -> Runs {
        let mut runs = Runs {
            columns,
            from: Vec::new(),
            rows: Vec::new(),
        };
        for (y, row) in keys.chunks(columns).enumerate() {
            runs.rows.push(runs.from.len());
            let starts = (0..row.len()).filter(|x| *x == 0 || row[*x] != row[x - 1]);
            runs.from.extend(starts.map(|x| y * columns + x));
        }
        runs.rows.push(runs.from.len());
        runs.from.push(keys.len());
        runs
    }
    /// How many there are.
    pub(super) fn count(&self) -> usize {
        self.from.len() - 1
    }
    /// The cells of a run.
    pub(super) fn cells(&self, run: usize) -> std::ops::Range<usize> {
        self.from[run]..self.from[run + 1]
    }
    /// The run of a cell.
    pub(super) fn of(&self, cell: usize) -> usize {
        let y = cell / self.columns;
        let row = &self.from[self.rows[y]..self.rows[y + 1]];
        self.rows[y] + row.partition_point(|from| *from <= cell) - 1
    }
    /// The runs that share an edge of a cell with a run.
    pub(super) fn beside(&self, run: usize, mut see: impl FnMut(usize)) {
        let cells = self.cells(run);
        let y = cells.start / self.columns;
        if run > self.rows[y] {
            see(run - 1);
        }
        if run + 1 < self.rows[y + 1] {
            see(run + 1);
        }
        let below = (y > 0).then(|| cells.start - self.columns..cells.end - self.columns);
        let above =
            (y + 2 < self.rows.len()).then(|| cells.start + self.columns..cells.end + self.columns);
        for other in [below, above].into_iter().flatten() {
            let mut next = self.of(other.start);
            while next < self.count() && self.from[next] < other.end {
                see(next);
                next += 1;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_touch_where_their_cells_do() {
        // Four columns, three rows.
        let keys = [1, 1, 2, 2, 1, 3, 3, 3, 4, 4, 4, 4];
        let runs = Runs::new(&keys, 4);
        assert_eq!(runs.count(), 5);
        let cells: Vec<_> = (0..5).map(|r| runs.cells(r)).collect();
        assert_eq!(cells, [0..2, 2..4, 4..5, 5..8, 8..12]);
        for cell in 0..keys.len() {
            assert!(runs.cells(runs.of(cell)).contains(&cell), "{cell}");
        }
        let beside = |run: usize| {
            let mut all = Vec::new();
            runs.beside(run, |r| all.push(r));
            all.sort_unstable();
            all
        };
        assert_eq!(beside(0), [1, 2, 3]);
        assert_eq!(beside(1), [0, 3]);
        assert_eq!(beside(2), [0, 3, 4]);
        assert_eq!(beside(3), [0, 1, 2, 4]);
        assert_eq!(beside(4), [2, 3]);
    }
}
