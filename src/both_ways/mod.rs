//! Two directions of one fibre laid on one axis and averaged joint by joint.

mod link;

pub use link::{
    Direction, Event, EventKind, KindFrom, Link, Profiles, Registration, SeenFrom, Verdict,
    Workmanship,
};
