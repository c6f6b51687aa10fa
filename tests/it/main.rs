//! One integration binary: every test module is beside this file.

mod links;
mod read;
mod read_hostile;
mod read_recipe;
mod report;
mod simulate;
