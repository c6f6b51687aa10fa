//! Distance, pulse length and level scale against numbers from outside.
#![expect(
    clippy::doc_markdown,
    reason = "formulas stand as they are printed, without marks"
)]

use approx::{assert_abs_diff_eq, assert_relative_eq};
use bothends::detect::height_db;
use bothends::measure::usual_backscatter;
use bothends::simulate::Fibre;
use bothends::units::{GroupIndex, PulseWidth, SPEED_OF_LIGHT_M_PER_S};

use crate::made::{
    INDEX, chain, db, event_at, fibre, ideal, level_at, measured, noisy, quiet, trace_of,
};

fn footprint_m(ns: f64, group_index: f64) -> f64 {
    PulseWidth::from_ns(ns)
        .footprint(GroupIndex::from_ratio(group_index))
        .m()
}

/// Source: z = c·t/(2·n_g), the halved round trip; n_g is c over the group
/// velocity (FS-1037C, "group index"). ITU-T G.650.1 (03/2018) 6.4.2.3 prints
/// L = c·T/N, whose T must then be the one-way time. Values derived with
/// c = 299 792 458 m/s.
#[test]
fn metres_of_fibre_per_nanosecond_of_round_trip() {
    for (group_index, metres) in [
        (1.4676, 0.102_136_978),
        (1.4677, 0.102_130_019),
        (1.4680, 0.102_109_148),
        (1.4682, 0.102_095_238),
        (1.4700, 0.101_970_224),
    ] {
        // Half of the ninth decimal, as printed.
        assert_abs_diff_eq!(footprint_m(1.0, group_index), metres, epsilon = 5e-10);
    }
    // 100 µs of round trip at 1.4682: 10 209.524 m, to the printed millimetre.
    assert_abs_diff_eq!(footprint_m(1e5, 1.4682), 10_209.524, epsilon = 5e-4);
}

/// Source: derived from the same formula at n_g = 1.468.
#[test]
fn pulse_footprints_of_the_usual_widths() {
    for (ns, metres) in [
        (10.0, 1.021),
        (100.0, 10.21),
        (1e3, 102.1),
        (1e4, 1021.0),
        (2e4, 2042.0),
    ] {
        // Four digits are printed: half of the last is at most 5e-4 of the value.
        assert_relative_eq!(footprint_m(ns, 1.468), metres, max_relative = 5e-4);
    }
}

/// Source: derived. A fibre of index 1.4682 read with 1.4680 shows 50 km as
/// 50 000·1.4682/1.4680 = 50 006.812 m, 6.81 m too long; half of it at the middle.
#[test]
fn a_wrong_index_stretches_the_whole_axis() {
    let mut instrument = quiet(100.0, 2.0);
    instrument.group_index = GroupIndex::from_ratio(1.4680);
    let plan = chain(
        vec![fibre(25.0, 0.2, -82.0), fibre(25.0, 0.2, -82.0)],
        &[0.3],
        instrument,
    );
    let link = measured(&plan, 0).link;
    // The end lies between two samples of 2 m in each trace: one sample is the
    // tolerance, a third of the effect looked for.
    let length_m = link.length.as_ref().unwrap().value.m();
    assert_abs_diff_eq!(length_m, 50_006.812, epsilon = 2.0);
    let splice = event_at(&link, 25_003.406, 2.0);
    assert_abs_diff_eq!(db(&splice.loss), 0.3, epsilon = 1e-4);
}

/// Source: attenuation between two cross-sections is 10·log10(P1/P2) of power
/// travelling one way (ITU-T G.650.1 (03/2018) eq. 3-4). Light that comes back
/// passes twice, so its decibels are halved to 5·log10 (from memory, universal).
/// Half the power lost one way (3.0103 dB) leaves a quarter of what returns.
#[test]
fn a_quarter_of_the_returned_power_is_half_the_power_one_way() {
    // A trace of our own, no simulator: 0.2 dB/km, spacing 2 m, the power at
    // 4 km falls to a quarter; both directions alike as the place is the middle.
    let quarter_db = 5.0 * 4f64.log10();
    let levels = |bump_db: f64| -> Vec<f64> {
        (0..4000)
            .map(|i| {
                let z_km = f64::from(i) * 0.002;
                -0.2 * z_km - if i > 2000 { quarter_db } else { 0.0 } + bump_db
            })
            .chain(std::iter::repeat_n(f64::NAN, 400))
            .collect()
    };
    let (a, b) = (
        trace_of(levels(0.0), 2.0, 10.0, INDEX),
        trace_of(levels(1.0), 2.0, 10.0, INDEX),
    );
    let link = bothends::both_ways::combine(&a, &b, &bothends::both_ways::Settings::default())
        .unwrap()
        .link;
    let step = event_at(&link, 4000.0, 4.0);
    // Straight lines without noise: rounding only, magnified by sums over
    // thousands of samples.
    assert_abs_diff_eq!(db(&step.loss), 3.0103, epsilon = 1e-4);
}

/// Source: derived. Twice the pulse returns twice the backscatter,
/// 5·log10(2) = 1.5051 dB on the display; ten times the pulse 5 dB.
#[test]
fn a_longer_pulse_lifts_the_backscatter_by_its_ratio() {
    let start_db = |pulse_ns: f64| {
        let plan = chain(vec![fibre(10.0, 0.2, -82.0)], &[], ideal(pulse_ns, 1.0));
        let sim = bothends::simulate::run(&plan, 0).unwrap();
        level_at(&sim.a.distances_m, &sim.a.levels_db, 1000.0)
    };
    let short_db = start_db(50.0);
    // The middle of a longer pulse lies nearer to the port by half the growth of
    // its footprint: 0.2 dB/km · (5.1 m or 45.9 m)/2 is up to 0.0046 dB.
    assert_abs_diff_eq!(start_db(100.0) - short_db, 1.5051, epsilon = 1e-3);
    assert_abs_diff_eq!(start_db(500.0) - short_db, 5.0, epsilon = 6e-3);
}

/// Source: derived. σ_dB = (5/ln 10)/SNR, and backscatter d displayed decibels
/// over the rms noise has SNR = 10^(d/5): d = 10 gives 0.0217 dB, 12 gives
/// 0.0086 dB, 15 gives 0.0022 dB.
#[test]
fn noise_in_decibels_follows_from_the_height_over_the_noise() {
    for (d, sigma_db) in [(10.0, 0.0217), (12.0, 0.0086), (15.0, 0.0022)] {
        let plan = chain(vec![fibre(10.0, 0.2, -82.0)], &[], noisy(100.0, 2.0, d));
        let noise = |seed| {
            let link = measured(&plan, seed).link;
            [link.a.noise_at_start_db, link.b.noise_at_start_db]
        };
        let seen: Vec<f64> = (3..9).flat_map(noise).collect();
        // The noise is estimated from hundreds of samples beyond the end (a few
        // per cent) and stated for the first 64 samples behind the port's dead
        // zone, where the power is 0.2 dB/km · 0.1 km (1 %) lower. In one trace of
        // ten chance looks like fading or colour, and adds up to a fifth.
        let mean = seen.iter().sum::<f64>() / seen.len() as f64;
        assert_relative_eq!(mean, sigma_db, max_relative = 0.1);
        for one in seen {
            assert_relative_eq!(one, sigma_db, max_relative = 0.25);
        }
    }
}

/// Source: S = (3/2)/(k·n·w)², E. Brinkmeyer, J. Opt. Soc. Am. 70 (1980) 1010,
/// and A. H. Hartog and M. P. Gold, J. Lightwave Technol. LT-2 (1984) 76 (both
/// from memory); scattering 0.8 dB·µm⁴/km over λ⁴ (textbook, from memory). The
/// coefficient at 1 ns is 10·log10(S·α_s·v_g·1 ns/2).
#[test]
fn usual_backscatter_coefficients_follow_from_capture_and_scattering() {
    for (wavelength_um, mode_field_um, group_index, printed_db) in [
        (1.310, 9.2, 1.4676, -80.29),
        (1.490, 9.95, 1.4680, -82.09),
        (1.550, 10.4, 1.4682, -82.81),
        (1.625, 10.9, 1.4687, -83.63),
    ] {
        let k_per_um = std::f64::consts::TAU / wavelength_um;
        let captured = 1.5 / (k_per_um * 1.45 * mode_field_um / 2.0_f64).powi(2);
        let scattered_per_m = 0.8 / wavelength_um.powi(4) * std::f64::consts::LN_10 / 1e4;
        let metres = SPEED_OF_LIGHT_M_PER_S / group_index * 1e-9 / 2.0;
        let computed_db = 10.0 * (captured * scattered_per_m * metres).log10();
        // Half of the last printed decimal, and its own again for the table's.
        assert_abs_diff_eq!(computed_db, printed_db, epsilon = 0.01);
        let used_db = usual_backscatter(wavelength_um * 1000.0).db();
        assert_abs_diff_eq!(used_db, computed_db, epsilon = 0.01);
    }
}

/// Source: closed form; power over the backscatter by a ratio e stands
/// 5·log10(1 + e) above it.
#[test]
fn heights_of_relative_power() {
    assert_abs_diff_eq!(height_db(1.0), 1.505_15, epsilon = 5e-6);
    assert_abs_diff_eq!(height_db(9.0), 5.0, epsilon = 1e-12);
    assert_abs_diff_eq!(height_db(0.0), 0.0, epsilon = 1e-12);
}

/// Source: derived from the same reading as the two above: an index differing by
/// 1.4676 against 1.4682 alone moves 5·log10 of v_g by 0.00089 dB, which is why
/// the index is no matter of loss. The program must not make more of it.
#[test]
fn two_indices_make_no_loss() {
    let other = Fibre {
        group_index: GroupIndex::from_ratio(1.4676),
        ..fibre(5.0, 0.2, -82.0)
    };
    let plan = chain(
        vec![fibre(5.0, 0.2, -82.0), other],
        &[0.1],
        quiet(100.0, 2.0),
    );
    let link = measured(&plan, 0).link;
    let splice = event_at(&link, 5000.0, 4.0);
    // Slopes differ by 0.2 dB/km · 4e-4: over a misplacement of 2 m nothing.
    assert_abs_diff_eq!(db(&splice.loss), 0.1, epsilon = 1e-4);
}
