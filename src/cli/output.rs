//! Prints results and writes files: beside first, then renamed.

use std::fs;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use crate::report::plain_text;
use crate::report::table::TableSettings;

use super::CommandError;

/// A file to write: its name without folder, and its bytes.
pub(super) type File = (String, Vec<u8>);

/// Says something on standard error; a reader that went away is no fault.
pub(super) fn tell(message: &str) {
    let _ = writeln!(io::stderr().lock(), "bothends: {}", shown(message));
}

/// Names the files that were written, on standard error.
pub(super) fn told(written: &[PathBuf]) {
    for path in written {
        tell(&format!("wrote {}", path.display()));
    }
}

/// Text that may hold what a file says, made harmless line by line.
pub(super) fn shown(text: &str) -> String {
    text.split('\n')
        .map(plain_text)
        .collect::<Vec<_>>()
        .join("\n")
}

/// Prints to standard output; a reader that closed the pipe is no error.
pub(super) fn print(text: &str) -> Result<(), CommandError> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(Into::into),
    }
}

/// Width and colour of tables: the terminal's, or 100 characters without colour.
pub(super) fn table_settings() -> TableSettings {
    let mut settings = TableSettings::default();
    if io::stdout().is_terminal() {
        if let Some((terminal_size::Width(width), _)) = terminal_size::terminal_size() {
            settings.width = usize::from(width);
        }
        settings.colour =
            anstream::AutoStream::choice(&io::stdout()) != anstream::ColorChoice::Never;
    }
    settings
}

/// Files get the permissions that any other program's files get.
#[cfg(unix)]
fn readable<'b>(
    builder: &'b mut tempfile::Builder<'static, 'static>,
) -> &'b mut tempfile::Builder<'static, 'static> {
    use std::os::unix::fs::PermissionsExt;
    // The system takes away what the user's mask forbids.
    builder.permissions(fs::Permissions::from_mode(0o666))
}

/// Files get the permissions that any other program's files get.
#[cfg(not(unix))]
fn readable<'b>(
    builder: &'b mut tempfile::Builder<'static, 'static>,
) -> &'b mut tempfile::Builder<'static, 'static> {
    builder
}

/// Stops where one of several files is there and may not be overwritten.
///
/// # Errors
/// That it exists, with its name.
pub(super) fn refuse_to_overwrite(paths: &[PathBuf], force: bool) -> Result<(), CommandError> {
    let there = |path: &&PathBuf| path.symlink_metadata().is_ok();
    match paths.iter().find(there) {
        Some(path) if !force => Err(format!(
            "{} exists; nothing was written (use --force to overwrite)",
            path.display()
        )
        .into()),
        _ => Ok(()),
    }
}

/// Writes files into a folder, which is made if missing. All are written beside
/// their final names before any is renamed; without `force`, an existing file
/// stops it before anything is written.
///
/// Gives the paths written.
///
/// # Errors
/// What the system says, with the file's name; that a file exists.
pub(super) fn write_files(
    folder: &Path,
    files: &[File],
    force: bool,
) -> Result<Vec<PathBuf>, CommandError> {
    let at = |path: &Path, error: &dyn std::fmt::Display| {
        format!("cannot write {}: {error}", path.display())
    };
    let paths = files
        .iter()
        .map(|(name, _)| folder.join(name))
        .collect::<Vec<_>>();
    refuse_to_overwrite(&paths, force)?;
    fs::create_dir_all(folder).map_err(|error| at(folder, &error))?;
    let mut ready = Vec::with_capacity(files.len());
    for (name, bytes) in files {
        let path = folder.join(name);
        let mut file = readable(tempfile::Builder::new().prefix(".bothends-"))
            .tempfile_in(folder)
            .map_err(|error| at(&path, &error))?;
        file.write_all(bytes)
            .and_then(|()| file.as_file().sync_all())
            .map_err(|error| at(&path, &error))?;
        ready.push((path, file));
    }
    let mut written = Vec::with_capacity(ready.len());
    for (path, file) in ready {
        let done = if force {
            file.persist(&path)
        } else {
            file.persist_noclobber(&path)
        };
        done.map_err(|failure| at(&path, &failure.error))?;
        written.push(path);
    }
    Ok(written)
}
