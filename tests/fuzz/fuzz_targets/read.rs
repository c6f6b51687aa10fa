//! The reader on any bytes, guided by coverage: `cargo fuzz run read`.

#![no_main]

#[path = "../src/check.rs"]
mod check;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| check::check(bytes));
