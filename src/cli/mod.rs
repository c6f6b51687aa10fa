//! The command line: parses arguments, calls the library, prints.
//!
//! The only module that opens outputs, prints, or asks about the terminal.

#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "printing is this module's job"
)]

mod args;
mod input;
mod link;
mod output;

use std::error::Error;
use std::process::ExitCode;

use clap::Parser;

use args::{Cli, Command};

/// How a run ended; the numbers are part of the interface, and a worse one wins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Outcome {
    /// Done, and within limits or no limits asked.
    Done = 0,
    /// Could not do all that was asked.
    Error = 2,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        Self::from(outcome as u8)
    }
}

/// Error of a command: the chain is printed once, outermost first.
type CommandError = Box<dyn Error + Send + Sync>;

/// Runs the program.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are no errors; clap knows where they go.
            let _ = error.print();
            return if error.use_stderr() {
                Outcome::Error.into()
            } else {
                Outcome::Done.into()
            };
        }
    };
    let result = match &cli.command {
        Command::Link(args) => link::run(args),
    };
    match result {
        Ok(outcome) => outcome.into(),
        Err(error) => {
            eprintln!("bothends: {}", chain(error.as_ref()));
            Outcome::Error.into()
        }
    }
}

/// An error and what caused it, outermost first, joined by colons.
fn chain(error: &dyn Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        text.push_str(": ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}
