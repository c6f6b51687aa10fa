//! Finished fibres, one a line, for a run that is interrupted.

use std::collections::HashMap;
use std::fs::{self, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use crate::cable::Journal;

use super::CommandError;

/// Name of the file where a folder is given.
const NAME: &str = "bothends-finished-fibres.ndjson";
/// Hexadecimal digits of a key.
const KEY: usize = 64;
const BEFORE_KEY: &str = "{\"key\":\"";
const BEFORE_RECORDS: &str = "\",\"records\":";

/// A file to which lines are only added: `{"key":"…","records":[…]}`.
#[derive(Debug)]
pub(super) struct FileJournal {
    known: HashMap<String, String>,
    file: Mutex<fs::File>,
    fault: Mutex<Option<String>>,
}

impl FileJournal {
    /// Opens a journal, which is made if missing; a last line that was cut off by an
    /// interruption is passed over.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn open(given: &Path) -> Result<Self, CommandError> {
        let path: PathBuf = if given.is_dir() {
            given.join(NAME)
        } else {
            given.to_owned()
        };
        let at = |error: std::io::Error| format!("cannot use {}: {error}", path.display());
        let text = match fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(error) => return Err(at(error).into()),
        };
        let known = text.lines().filter_map(entry).collect::<HashMap<_, _>>();
        if !text.trim().is_empty() && known.is_empty() && text.ends_with('\n') {
            return Err(format!(
                "{} holds something else than finished fibres; nothing was written to it",
                path.display()
            )
            .into());
        }
        let mut file = OpenOptions::new()
            .create(true)
            .append(true)
            .open(&path)
            .map_err(at)?;
        if !text.is_empty() && !text.ends_with('\n') {
            file.write_all(b"\n").map_err(at)?;
        }
        Ok(Self {
            known,
            file: Mutex::new(file),
            fault: Mutex::new(None),
        })
    }

    /// Why something could not be kept, if so.
    pub(super) fn fault(&self) -> Option<String> {
        self.fault
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

/// Key and records of a line.
fn entry(line: &str) -> Option<(String, String)> {
    let rest = line.strip_prefix(BEFORE_KEY)?;
    let key = rest.get(..KEY)?;
    let records = rest
        .get(KEY..)?
        .strip_prefix(BEFORE_RECORDS)?
        .strip_suffix('}')?;
    Some((key.to_owned(), records.to_owned()))
}

impl Journal for FileJournal {
    fn find(&self, key: &str) -> Option<String> {
        self.known.get(key).cloned()
    }

    fn keep(&self, key: &str, text: &str) {
        let line = format!("{BEFORE_KEY}{key}{BEFORE_RECORDS}{text}}}\n");
        let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        if let Err(error) = file.write_all(line.as_bytes()).and_then(|()| file.flush()) {
            let mut fault = self.fault.lock().unwrap_or_else(PoisonError::into_inner);
            fault.get_or_insert_with(|| error.to_string());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_that_was_cut_off_is_passed_over_and_the_rest_comes_back() {
        let folder = tempfile::tempdir().unwrap();
        let (one, two) = ("1".repeat(KEY), "2".repeat(KEY));
        let journal = FileJournal::open(folder.path()).unwrap();
        journal.keep(&one, "[1]");
        journal.keep(&two, "[{\"a\":null}]");
        drop(journal);
        let path = folder.path().join(NAME);
        let text = fs::read_to_string(&path).unwrap();
        fs::write(&path, &text[..text.len() - 3]).unwrap();
        let journal = FileJournal::open(folder.path()).unwrap();
        assert_eq!(journal.find(&one).as_deref(), Some("[1]"));
        assert_eq!(journal.find(&two), None);
        journal.keep(&two, "[2]");
        drop(journal);
        let journal = FileJournal::open(&path).unwrap();
        assert_eq!(journal.find(&two).as_deref(), Some("[2]"));
        assert_eq!(journal.fault(), None);
    }

    #[test]
    fn a_file_of_something_else_is_not_written_to() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notes.txt");
        fs::write(&path, "my notes\n").unwrap();
        assert!(FileJournal::open(&path).is_err());
        assert_eq!(fs::read_to_string(&path).unwrap(), "my notes\n");
    }
}
