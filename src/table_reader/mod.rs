//! Table reader: walks a TOML file and gathers every fault in it instead of stopping at the first.
//!
//! Users correct a file faster when they see all faults at once, each with its line. Each table
//! of a file is read by a [`TableReader`]; every missing, unknown, wrongly typed or out-of-range
//! entry becomes a [`Located`] fault. Modules that read files add their own enum of faults, built
//! on [`TableFault`].

mod excerpt;
mod fault_list;
mod faults;
mod slips;
mod table;
mod values;

use std::io::ErrorKind;
use std::path::Path;

use toml::de::DeTable;

pub use fault_list::FaultList;
pub use faults::{Fault, FaultyFile, FileError, Limits, Located, TableFault, closest};
pub use slips::Slip;
pub use table::TableReader;
pub use values::FromToml;

use crate::bounded_file;

/// Largest file that is read, bytes: files written by a person are a hundred times smaller, and
/// a clip named by mistake should be refused before it fills the memory.
pub const MAX_FILE_BYTES: u64 = 1 << 20;

/// Reads a TOML file through `read`, which gets the whole file as a table.
///
/// `read` returns `None` only where it has recorded a fault.
///
/// # Errors
/// The file cannot be read, or has faults: all of them, in the order of the file.
pub fn read_file<T, F: Fault>(
    path: &Path,
    read: impl FnOnce(TableReader<'_, F>) -> Option<T>,
) -> Result<T, FileError<F>> {
    let text = text_of(path)?;
    read_text(path, text, read).map_err(FileError::Faulty)
}

/// Reads the text of a TOML file; `path` is only named in errors.
///
/// # Errors
///
/// All faults, in the order of the file. If the text is not valid TOML, only that is reported,
/// because nothing else can be checked.
pub fn read_text<T, F: Fault>(
    path: &Path,
    text: String,
    read: impl FnOnce(TableReader<'_, F>) -> Option<T>,
) -> Result<T, FaultyFile<F>> {
    let faults = FaultList::default();
    if let Some(what) = other_kind_of(&text) {
        faults.push(0..1, TableFault::OtherKind { what });
        return Err(FaultyFile::new(path, text, faults.into_sorted()));
    }
    let (document, syntax_errors) = DeTable::parse_recoverable(&text);
    for error in &syntax_errors {
        let message = error.message().to_owned();
        let span = error.span().unwrap_or_default();
        let slip = Slip::at(&text, &span);
        faults.push(span, TableFault::Syntax { message, slip });
    }
    let value = if syntax_errors.is_empty() {
        read(TableReader::of_file(document.get_ref(), &faults))
    } else {
        None
    };
    match value {
        Some(value) if faults.is_empty() => Ok(value),
        _ => {
            let faults = faults.into_sorted();
            drop(document);
            Err(FaultyFile::new(path, text, faults))
        }
    }
}

/// The kind of a text that cannot be TOML, because TOML never starts with a brace.
fn other_kind_of(text: &str) -> Option<&'static str> {
    if !text
        .trim_start_matches('\u{feff}')
        .trim_start()
        .starts_with('{')
    {
        return None;
    }
    Some(if text.contains("\"hingewise.measurement\"") {
        "a measurement that `hingewise measure` wrote"
    } else {
        "a JSON file"
    })
}

fn text_of<F: Fault>(path: &Path) -> Result<String, FileError<F>> {
    let unreadable = |cause| FileError::Unreadable {
        path: path.to_owned(),
        cause,
    };
    bounded_file::read_text(path, MAX_FILE_BYTES).map_err(|cause| match cause.kind() {
        ErrorKind::FileTooLarge => FileError::TooLarge {
            path: path.to_owned(),
            most_bytes: MAX_FILE_BYTES,
        },
        _ => unreadable(cause),
    })
}
