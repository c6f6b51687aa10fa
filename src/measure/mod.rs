//! Measures what detection found: losses, reflectances, sections, return loss.

mod line;
mod look;
mod one_direction;
mod one_way;
mod orl;
mod reading;

pub use line::{KnownSlope, Side, SideLine, attenuation, bend, side_line, usual_slope};
pub(crate) use look::CORD_TOLERANCE;
pub use look::{ExpectedJoint, LinkEnd, Look, glance, look};
pub use one_direction::{OneWayError, measure};
pub use one_way::{OneWay, OneWayEvent, OneWayKind, ReflectanceReading, Section};
pub use orl::{return_loss, usual_backscatter};
pub(crate) use reading::RESOLVED_PULSES;
pub use reading::{Reading, half_difference, read_loss, read_peak, reflectance, two_way};
