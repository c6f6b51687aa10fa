//! Finds what is in a trace: noise, light, events.
//!
//! [`Eye`] makes one trace ready; one or two of them as [`View`]s on a common axis
//! go to a [`Finder`], which returns [`Mark`]s.

mod alike;
mod end;
mod expected;
mod eye;
mod find;
mod gap;
mod glance;
mod known;
mod lateness;
mod light;
mod mark;
mod noise;
mod noise_fit;
mod pair;
mod peak_shape;
mod peaks;
mod power;
mod profile;
mod receiver;
mod recovery;
mod remove;
mod response;
mod row;
mod running;
mod scan;
mod squares;
mod steps_response;
mod strong;
mod sums;
mod sweep;
mod threshold;
mod view;

pub use end::{End, answers_behind, find_end, spikes};
pub(crate) use expected::Expected;
pub(crate) use eye::DB_PER_NEPER;
pub use eye::Eye;
pub use find::Finder;
pub use gap::Fit;
pub use light::Lit;
pub use mark::{DetectSettings, Mark};
pub use noise::Noise;
pub use pair::{Pair, PairFit, PairRange, PairSearch, pair_at};
pub use peaks::height_db;
pub use power::{Power, SampleState};
pub use profile::{Place, Shape, Stretch, fit_at};
pub use response::Response;
pub use scan::{Candidate, Thresholds};
pub use strong::StrongPeak;
pub use sums::{Line, Sums};
pub use threshold::{detection_probability, false_events_per_sample, threshold};
pub use view::{Span, Step, View};
