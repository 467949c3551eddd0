//! What the person at the machine does while a program runs.

/// What a person does at a program.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ByHand {
    /// The cutter that goes in before it starts; `None` when the machine changes cutters, or when nobody knows.
    pub first: Option<String>,
    /// What each of its pauses is for, in order.
    pub pauses: Vec<PauseFor>,
}

impl ByHand {
    /// The cutters that go in during the program, in order, each with the index of its pause.
    pub fn later(&self) -> impl Iterator<Item = (usize, &str)> {
        let pauses = self.pauses.iter().enumerate();
        pauses.filter_map(|(i, p)| match p {
            PauseFor::Cutter(id) => Some((i, id.as_str())),
            _ => None,
        })
    }
}

/// What a pause is for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PauseFor {
    /// The setup's pause of this number.
    Setup(u32),
    /// This cutter.
    Cutter(String),
    /// To switch the spindle.
    Spindle,
}
