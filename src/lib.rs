#![doc = include_str!("../README.md")]

pub mod both_ways;
pub mod cable;
pub mod cli;
pub mod compare;
pub mod detect;
pub mod measure;
pub mod pack;
pub mod plot;
pub mod read;
pub mod report;
pub mod simulate;
pub mod trace;
pub mod units;
pub mod verdict;
pub mod warning;
