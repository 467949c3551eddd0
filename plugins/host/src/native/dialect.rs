//! Dialects of libraries.

use super::Inner;
use super::{Failed, Handing, Receive, kept, noted, read, write};
use crate::library_about::DialectEntry;
use grainway_pipeline::dialect::{
    Dialect, DialectAbout, DialectError, ProgramHead, ReadEnd, ReadMove, Reader, Written,
};
use grainway_pipeline::motion::Item;
use grainway_pipeline::stage::Cancel;
use std::io::{self, BufRead, Write};
use std::ops::ControlFlow;
use std::sync::Arc;

/// A dialect of a library.
pub(crate) struct NativeDialect {
    library: Arc<Inner>,
    about: DialectAbout,
    reads: bool,
    faults: Vec<&'static str>,
    cancel: Arc<Cancel>,
}

impl NativeDialect {
    pub(crate) fn new(
        library: &Arc<Inner>,
        entry: &DialectEntry,
        cancel: &Arc<Cancel>,
    ) -> NativeDialect {
        NativeDialect {
            library: Arc::clone(library),
            about: entry.about.clone(),
            reads: entry.reads,
            faults: entry.faults.iter().map(|f| kept(f)).collect(),
            cancel: Arc::clone(cancel),
        }
    }
    pub(crate) fn write_as(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
        handing: Handing<'_>,
    ) -> Result<Written, Failed> {
        write(
            &self.library.table,
            &self.about.name,
            head,
            items,
            out,
            &self.cancel,
            handing,
        )
    }
    pub(crate) fn read_as(
        &self,
        text: &mut dyn BufRead,
        receive: Receive<'_>,
    ) -> Result<(), Failed> {
        read(
            &self.library.table,
            &self.about.name,
            &self.faults,
            text,
            receive,
            &self.cancel,
        )
        .map(|_| ())
    }
    fn named(&self, what: &str) -> String {
        format!(
            "dialect {} of {} {what}",
            self.about.name,
            self.library.shown()
        )
    }
}

impl Dialect for NativeDialect {
    fn about(&self) -> &DialectAbout {
        &self.about
    }
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        self.write_as(head, items, out, Handing::default())
            .map_err(|failed| match failed {
                Failed::Unsupported(r) => DialectError::Unsupported {
                    dialect: self.about.name.clone(),
                    what: r.what,
                    remedy: r.remedy,
                },
                Failed::Refused(r) => {
                    let message = r.message.clone();
                    noted(&Failed::Refused(r));
                    DialectError::Plan(message)
                }
                Failed::Plan(what) => DialectError::Plan(what),
                Failed::Io(e) => DialectError::Io(e),
                Failed::Cancelled => DialectError::Io(io::Error::other("cancelled")),
                other => DialectError::Plugin(self.named(&noted(&other))),
            })
    }
    fn reader(&self) -> Option<&dyn Reader> {
        self.reads.then_some(self as _)
    }
}

impl Reader for NativeDialect {
    fn read(
        &self,
        text: &mut dyn BufRead,
        receive: &mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    ) -> ReadEnd {
        let read = read(
            &self.library.table,
            &self.about.name,
            &self.faults,
            text,
            receive,
            &self.cancel,
        );
        match read {
            Ok((lines, ended)) => ReadEnd::Complete { lines, ended },
            Err(Failed::Stopped) => ReadEnd::Stopped,
            Err(Failed::Io(e)) => ReadEnd::Io(e.to_string()),
            Err(other) => ReadEnd::Io(self.named(&noted(&other))),
        }
    }
}
