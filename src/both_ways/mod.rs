//! Two directions of one fibre laid on one axis and averaged joint by joint.

mod bracket;
mod broken;
mod build;
mod check;
mod close;
mod combine;
mod doubts;
mod echo;
mod ends;
mod glimpse;
mod joint;
mod link;
mod mode_field;
mod profiles;
mod readings;
mod reflector;
mod register;
mod settle_echoes;
mod workmanship;

pub use build::GAIN_NOTE;
pub use check::{CombineError, Cords, check_pair, cords};
pub use combine::{Combined, KnownJoint, Settings, combine, combine_watched};
pub use glimpse::{Glimpse, OwnEvent};
pub use link::{
    Direction, Event, EventKind, KindFrom, Link, Profiles, Registration, SeenFrom, Verdict,
    Workmanship,
};
pub use mode_field::mode_field_diameter;
pub use profiles::two_way_levels;
pub use register::{Axis, Known, register};
pub use workmanship::{mismatch_loss, workmanship};
