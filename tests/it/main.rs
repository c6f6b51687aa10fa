//! One integration binary: every test module is beside this file.

mod links;
mod read;
mod report;
mod simulate;
mod read_hostile;
