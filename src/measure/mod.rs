//! Measures what detection found: losses, reflectances, sections, return loss.

mod one_way;

pub use one_way::{OneWay, OneWayEvent, OneWayKind, ReflectanceReading, Section};
