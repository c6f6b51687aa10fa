//! The attenuation of a link's sections together, on which the lines beside joints lean. The
//! truth is the simulator's plan; all data invented.
#![expect(
    clippy::unwrap_used,
    reason = "a link that cannot be built or measured must fail the test"
)]

use bothends::both_ways::Direction;

use crate::made::{chain, fibre, measured, noisy};

/// Value and spread in dB/km.
fn shared(direction: &Direction) -> (f64, f64) {
    let shared = direction.shared_attenuation.unwrap();
    (
        shared.value.db_per_km(),
        shared.std_error.unwrap().db_per_km(),
    )
}

/// What both directions share of a link with sections of 3 km that fall so many dB/km.
fn of_sections(db_per_km: &[f64]) -> [(f64, f64); 2] {
    let fibres = (db_per_km.iter()).map(|a| fibre(3.0, *a, -82.0)).collect();
    let losses = vec![0.1; db_per_km.len() - 1];
    let link = measured(&chain(fibres, &losses, noisy(100.0, 2.0, 18.0)), 5).link;
    [shared(&link.a), shared(&link.b)]
}

/// Ten sections alike. Tolerance: the slope of 3 km errs by some 0.002 dB/km near the far end
/// and by less before; the mean of ten and their spread lie within that.
#[test]
fn sections_alike_share_their_attenuation() {
    for (value, spread) in of_sections(&[0.19; 10]) {
        assert!((value - 0.19).abs() < 0.002, "{value}");
        assert!(spread < 0.002, "{spread}");
    }
}

/// Ten sections of 0.18 and 0.20 in turn: their standard deviation is 0.0105 dB/km, and χ² of
/// ten less its standard error bears √(9/(9 − √18)) = 1.37 times that, and the mean's own error
/// a twentieth more: 0.015. Tolerance: a fifth, for noise and weights.
#[test]
fn how_far_sections_differ_is_stated() {
    let turns = [0.18, 0.20, 0.18, 0.20, 0.18, 0.20, 0.18, 0.20, 0.18, 0.20];
    for (value, spread) in of_sections(&turns) {
        assert!((value - 0.19).abs() < 0.005, "{value}");
        assert!((0.012..0.018).contains(&spread), "{spread}");
    }
}

/// Cords are no sections of the link: of two sections nothing is shared.
#[test]
fn cords_do_not_count_as_sections() {
    let mut plan = chain(
        vec![fibre(4.0, 0.19, -82.0), fibre(5.0, 0.19, -82.0)],
        &[0.1],
        noisy(100.0, 2.0, 18.0),
    );
    plan.end_a.cord = Some(fibre(1.0, 0.35, -81.0));
    plan.end_b.cord = Some(fibre(1.0, 0.35, -81.0));
    let link = measured(&plan, 3).link;
    assert_eq!(link.a.shared_attenuation, None);
    assert_eq!(link.b.shared_attenuation, None);
}
