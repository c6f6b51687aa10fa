//! One integration binary: every test module is beside this file.

mod read;
mod simulate;
mod links;
mod report;
