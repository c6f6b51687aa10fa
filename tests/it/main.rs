//! One integration binary: every test module is beside this file.

mod read;
mod read_hostile;
