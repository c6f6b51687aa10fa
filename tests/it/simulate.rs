//! The simulator from plan to traces.

use bothends::simulate::{self, RandomLinkSettings};

#[test]
fn the_same_seed_gives_the_same_traces_and_another_seed_does_not() {
    let plan = simulate::random_link(3, &RandomLinkSettings::default());
    let one = simulate::run(&plan, 5).unwrap();
    let again = simulate::run(&plan, 5).unwrap();
    let other = simulate::run(&plan, 6).unwrap();
    let text = |sim: &simulate::Simulated| simulate::write(&sim.a, simulate::Dialect::Plain);
    assert_eq!(text(&one), text(&again));
    assert_ne!(text(&one), text(&other));
}
