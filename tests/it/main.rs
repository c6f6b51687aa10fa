//! One integration binary: every test module is beside this file.

mod cli;
mod links;
mod plot;
mod read;
mod read_hostile;
mod report;
mod simulate;
