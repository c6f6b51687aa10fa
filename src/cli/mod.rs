//! The command line: parses arguments, calls the library, prints.
//!
//! The only module that opens outputs, prints, or asks about the terminal.

mod args;
mod cable;
mod cable_pack;
mod compare;
mod convert;
mod folder;
mod input;
mod inspect;
mod joints;
mod journal;
mod limits;
mod link;
mod output;
mod pack_args;
mod pack_files;
mod pairs;
mod progress;
mod simulate;
mod trace;
mod traces;
mod verify;
mod view;

use std::error::Error;
use std::process::ExitCode;

use clap::Parser;

use crate::both_ways::Verdict;
use crate::pack::chain;
use crate::report::schema;

use args::{Cli, Command, Schema};

/// Name and version, as results carry it.
const PROGRAM: &str = concat!("bothends ", env!("CARGO_PKG_VERSION"));

/// How a run ended; the numbers are part of the interface, and a worse one wins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Outcome {
    /// Done, and within limits or no limits asked.
    Done = 0,
    /// Done, but out of limits, undecided, or not judged where limits were asked.
    NotWithin = 1,
    /// Could not do all that was asked.
    Error = 2,
}

impl Outcome {
    /// Outcome of a result that was judged so.
    fn of(verdict: Verdict, limits_asked: bool) -> Self {
        match verdict {
            Verdict::Pass => Self::Done,
            Verdict::NotJudged if !limits_asked => Self::Done,
            Verdict::Fail | Verdict::Undecided | Verdict::NotJudged => Self::NotWithin,
        }
    }
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
        Command::Cable(args) => cable::run(args),
        Command::Trace(args) => trace::run(args),
        Command::Inspect(args) => inspect::run(args),
        Command::Convert(args) => convert::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Limits(args) => limits::run(args),
        Command::Simulate(args) => simulate::run(args),
        Command::Verify(args) => verify::run(args),
        Command::View(args) => view::run(args),
        Command::Schema(args) => print_schema(args.what),
    };
    match result {
        Ok(outcome) => outcome.into(),
        Err(error) => {
            output::tell(&chain(error.as_ref()));
            Outcome::Error.into()
        }
    }
}

fn print_schema(what: Schema) -> Result<Outcome, CommandError> {
    let text = match what {
        Schema::Link => schema::link()?,
        Schema::Trace => schema::trace()?,
        Schema::Cable => schema::cable()?,
        Schema::Compare => schema::compare()?,
        Schema::Limits => schema::limits()?,
    };
    output::print(&text)?;
    Ok(Outcome::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_judged_against_limits_that_were_asked_is_not_within_them() {
        assert_eq!(Outcome::of(Verdict::Pass, true), Outcome::Done);
        assert_eq!(Outcome::of(Verdict::NotJudged, false), Outcome::Done);
        for verdict in [Verdict::Fail, Verdict::Undecided, Verdict::NotJudged] {
            assert_eq!(Outcome::of(verdict, true), Outcome::NotWithin);
        }
        assert_eq!(Outcome::Done.max(Outcome::Error), Outcome::Error);
    }
}
