//! Verdicts against numbers worked out elsewhere.
#![expect(clippy::unwrap_used, reason = "a failure here is the test's failure")]

use approx::assert_abs_diff_eq;
use bothends::both_ways::{EventKind, Link, Verdict};
use bothends::units::{Attenuation, Loss, Measured, NotMeasured, Reflectance, ReturnLoss};
use bothends::verdict::{
    Judged, Limit, Limits, Place, What, built_ins, conformance, decide, judge, roll_up,
};

use crate::links;

/// Tables of the normal distribution are rounded to four decimals.
const TABLE_ROUNDING: f64 = 0.5e-4;

/// Limit 0.10 dB, standard uncertainty 0.012 dB: conformance probabilities p = Φ((L − y)/u)
/// (JCGM 106:2012, clause 7, from memory), derived with two independent computations of Φ.
const WORKED: [(f64, f64); 8] = [
    (0.05, 1.0000),
    (0.07, 0.9938),
    (0.076, 0.9772),
    (0.08, 0.9522),
    (0.09, 0.7977),
    (0.10, 0.5000),
    (0.11, 0.2023),
    (0.124, 0.0228),
];

#[test]
fn conformance_probabilities_are_those_of_the_worked_example() {
    for (value, expected) in WORKED {
        let found = conformance(value, 0.012, Limit::AtMost(0.10));
        assert_abs_diff_eq!(found, expected, epsilon = TABLE_ROUNDING);
        // The mirrored lower limit has the same probability.
        let mirrored = conformance(-value, 0.012, Limit::AtLeast(-0.10));
        assert_abs_diff_eq!(mirrored, found, epsilon = 1e-12);
    }
}

/// Guard bands of the same example: acceptance limits 0.08026 at 5 % (1.645 u), 0.07600 at
/// k = 2 and 0.07208 at 1 % (2.326 u); factors 1.64 and 2.33 as printed in a worksheet on the
/// Eurachem/CITAC guide on conformity, the limits derived.
#[test]
fn acceptance_limits_are_those_of_the_worked_example() {
    for (coverage, acceptance) in [(1.645, 0.080_26), (2.0, 0.076), (2.326, 0.072_088)] {
        let verdict = |value| decide(value, Some(0.012), Limit::AtMost(0.10), coverage).verdict;
        // The limits are rounded to 1e-5.
        assert_eq!(verdict(acceptance - 1e-5), Verdict::Pass);
        assert_eq!(verdict(acceptance + 1e-5), Verdict::Undecided);
        let rejection = 0.2 - acceptance;
        assert_eq!(verdict(rejection - 1e-5), Verdict::Undecided);
        assert_eq!(verdict(rejection + 1e-5), Verdict::Fail);
    }
}

/// With k = 0 the value alone decides (simple acceptance: up to 50 % risk at the limit,
/// ILAC-G8:09/2019, from a note on it).
#[test]
fn without_a_guard_band_the_value_alone_decides() {
    let verdict = |value| decide(value, Some(0.012), Limit::AtMost(0.10), 0.0).verdict;
    assert_eq!(verdict(0.0999), Verdict::Pass);
    assert_eq!(verdict(0.1001), Verdict::Fail);
}

/// The risk at the edge of the guard band is the tail of the normal distribution: 5 % at
/// 1.645, counted over simulated readings of a joint that is exactly at its limit.
#[test]
fn a_joint_at_its_limit_passes_as_often_as_the_guard_band_says() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(106);
    let readings = Normal::new(0.10, 0.012).unwrap();
    let runs = 40_000;
    let (mut pass, mut fail) = (0, 0);
    for _ in 0..runs {
        let reading = readings.sample(&mut rng);
        match decide(reading, Some(0.012), Limit::AtMost(0.10), 1.645).verdict {
            Verdict::Pass => pass += 1,
            Verdict::Fail => fail += 1,
            Verdict::Undecided | Verdict::NotJudged => {}
        }
    }
    // Standard deviation of a share of 5 % in 40,000 runs: 0.0011; five of them.
    for count in [pass, fail] {
        assert_abs_diff_eq!(f64::from(count) / f64::from(runs), 0.05, epsilon = 0.0055);
    }
}

fn limits(text: &str) -> Limits {
    Limits::from_toml(text, "test").unwrap()
}

fn judged(link: &mut Link, text: &str) -> Judged {
    judge(link, &limits(text), 1.645)
}

fn verdict_of(judged: &Judged, what: What) -> Vec<Verdict> {
    judged
        .judgements
        .iter()
        .filter(|one| one.what == what)
        .map(|one| one.verdict)
        .collect()
}

const SPLICES: &str = "[splice_loss]\nmax_db = 0.15\nsource = 'contract value'\n";

#[test]
fn the_bad_splice_fails_and_carries_the_link() {
    // Truth of the link: splice 5 loses 0.312 dB, the other seven at most 0.082 dB.
    let (mut link, _) = links::country_link();
    let judged = judged(&mut link, SPLICES);
    let failed: Vec<usize> = link
        .events
        .iter()
        .filter(|event| event.verdict == Verdict::Fail)
        .map(|event| event.number)
        .collect();
    assert_eq!(failed, [5]);
    assert_eq!(link.verdict, Verdict::Fail);
    assert_eq!(judged.verdict, Verdict::Fail);
    assert_eq!(verdict_of(&judged, What::SpliceLoss).len(), 8);
    let bad = &link.events[4];
    assert_eq!(bad.limit, Some(Loss::from_db(0.15)));
    assert_abs_diff_eq!(bad.conformance.unwrap(), 0.0, epsilon = 1e-6);
    // No limit asks for connectors.
    assert_eq!(link.events[0].verdict, Verdict::NotJudged);
    assert_eq!(link.events[0].limit, None);
}

#[test]
fn what_is_not_measured_both_ways_never_passes() {
    let (mut link, _) = links::country_link();
    link.events[4].loss = Ok(Measured {
        value: Loss::from_db(0.05),
        std_error: Some(Loss::from_db(0.002)),
    });
    assert_eq!(judged(&mut link, SPLICES).verdict, Verdict::Pass);

    // One way it reads 0.01 dB, far within the limit.
    link.events[2].loss = Err(NotMeasured::because("under the noise from B"));
    link.events[2].loss_a_to_b = Ok(Measured {
        value: Loss::from_db(0.01),
        std_error: Some(Loss::from_db(0.001)),
    });
    let judged_again = judged(&mut link, SPLICES);
    assert_eq!(link.events[2].verdict, Verdict::NotJudged);
    assert_eq!(judged_again.verdict, Verdict::NotJudged);
    let reason = &judged_again
        .judgements
        .iter()
        .find(|one| one.verdict == Verdict::NotJudged)
        .unwrap()
        .reason;
    assert_eq!(reason, "not measured both ways: under the noise from B");

    // Nor does a value without a known error, or one that is no number.
    for (value, std_error, expected) in [
        (0.01, None, Verdict::Undecided),
        (f64::NAN, Some(0.001), Verdict::NotJudged),
    ] {
        link.events[2].loss = Ok(Measured {
            value: Loss::from_db(value),
            std_error: std_error.map(Loss::from_db),
        });
        judged(&mut link, SPLICES);
        assert_eq!(link.events[2].verdict, expected);
        assert_eq!(link.verdict, expected);
    }
}

#[test]
fn a_mean_is_the_plain_mean_with_the_error_of_independent_values() {
    // Closed form: mean of the eight losses of the link, written in `links`.
    let expected = (0.031 + 0.050 + 0.022 + 0.312 + 0.041 + 0.064 + 0.027 + 0.082) / 8.0;
    let (mut link, _) = links::country_link();
    let mut variance = 0.0;
    for event in &mut link.events {
        if let Ok(loss) = &mut event.loss
            && event.kind == EventKind::Splice
        {
            loss.std_error = Some(Loss::from_db(0.004));
            variance += 0.004_f64.powi(2);
        }
    }
    let text = "[mean_per_fibre]\nmax_db = 0.08\nsource = 'contract value'\n";
    let judged = judged(&mut link, text);
    let mean = &judged.judgements[0];
    // The fixture draws no noise into a written loss: rounding of sums only.
    assert_abs_diff_eq!(mean.value.unwrap(), expected, epsilon = 1e-12);
    assert_abs_diff_eq!(
        mean.std_error.unwrap(),
        variance.sqrt() / 8.0,
        epsilon = 1e-12
    );
    // 0.0786 ± 0.0014 against 0.08: one standard error inside, so undecided.
    assert_eq!(mean.verdict, Verdict::Undecided);

    let mut unmeasured = link.clone();
    unmeasured.events[1].loss = Err(NotMeasured::because("under the noise"));
    assert_eq!(
        super::outside_verdict::judged(&mut unmeasured, text).verdict,
        Verdict::NotJudged
    );
}

#[test]
fn splices_above_a_softer_limit_are_counted_with_their_doubt() {
    // Above 0.06 dB: 0.312, 0.064, 0.082; with an error of 0.01 dB the second is not certain.
    let (mut link, _) = links::country_link();
    for event in &mut link.events {
        if let Ok(loss) = &mut event.loss {
            loss.std_error = Some(Loss::from_db(0.01));
        }
    }
    for (at_most, expected) in [
        (1, Verdict::Fail),
        (2, Verdict::Undecided),
        (8, Verdict::Pass),
    ] {
        let text = format!(
            "[splices_over]\nover_db = 0.06\nat_most = {at_most}\nsource = 'contract value'\n"
        );
        let judged = judged(&mut link, &text);
        assert_eq!(judged.judgements[0].verdict, expected, "{at_most}");
        assert_eq!(judged.judgements[0].value, Some(3.0));
    }
}

/// The number above the limit has the distribution of a sum of unlike coin tosses; for one
/// splice it is the toss itself, for two the closed form of both.
#[test]
fn the_probability_of_a_count_is_that_of_independent_tosses() {
    let (mut link, _) = links::country_link();
    let mut kept = 0;
    link.events.retain(|event| {
        kept += usize::from(event.kind == EventKind::Splice);
        event.kind == EventKind::Splice && kept <= 2
    });
    for (event, value) in link.events.iter_mut().zip([0.11, 0.09]) {
        event.loss = Ok(Measured {
            value: Loss::from_db(value),
            std_error: Some(Loss::from_db(0.012)),
        });
    }
    // Conformances 0.2023 and 0.7977 (the worked example): neither above 0.1614, not both
    // above 1 − 0.7977 · 0.2023 = 0.8386.
    for (at_most, expected) in [(0, 0.1614), (1, 0.8386), (2, 1.0)] {
        let text = format!(
            "[splices_over]\nover_db = 0.10\nat_most = {at_most}\nsource = 'contract value'\n"
        );
        let judged = judged(&mut link, &text);
        // Products of two rounded numbers.
        assert_abs_diff_eq!(
            judged.judgements[0].conformance.unwrap(),
            expected,
            epsilon = 2.0 * TABLE_ROUNDING
        );
    }
}

#[test]
fn a_budget_is_the_sum_of_its_parts() {
    let (mut link, _) = links::country_link();
    // Closed form: 8 · 0.1 + 2 · 0.5 + 31.1836 · 0.2 + 0.3.
    let expected = 0.8 + 1.0 + 31.1836 * 0.2 + 0.3;
    let text = "[[link_loss]]\nper_splice_db = 0.1\nper_connector_db = 0.5\nper_km_db = 0.2\n\
                plus_db = 0.3\nsource = 'contract value'\n";
    let by_found = judged(&mut link, text);
    assert_abs_diff_eq!(
        by_found.judgements[0].limit.unwrap(),
        expected,
        epsilon = 1e-9
    );
    let by_count = judged(&mut link, &format!("{text}splices = 9\nconnectors = 3\n"));
    assert_abs_diff_eq!(
        by_count.judgements[0].limit.unwrap(),
        expected + 0.1 + 0.5,
        epsilon = 1e-9
    );
    // Of two that are for the wavelength the lower counts; one for another band does not.
    let two = format!(
        "{text}[[link_loss]]\nmax_db = 7.5\nsource = 'contract value'\n\
         [[link_loss]]\nfrom_nm = 1260\nto_nm = 1360\nmax_db = 1\nsource = 'contract value'\n"
    );
    assert_eq!(judged(&mut link, &two).judgements[0].limit, Some(7.5));
}

#[test]
fn sections_are_judged_at_their_wavelength() {
    let (mut link, _) = links::country_link();
    let text = "[[section_attenuation]]\nfrom_nm = 1310\nto_nm = 1625\nmax_db_per_km = 0.4\n\
                source = 'a'\n[[section_attenuation]]\nfrom_nm = 1530\nto_nm = 1565\n\
                max_db_per_km = 0.1\nsource = 'b'\n";
    let at_1550 = judged(&mut link, text);
    let sections = verdict_of(&at_1550, What::SectionAttenuation);
    assert_eq!(sections.len(), link.sections.len());
    assert!(sections.iter().all(|verdict| *verdict == Verdict::Fail));
    link.wavelength = bothends::units::Wavelength::from_nm(1310.0);
    let at_1310 = verdict_of(&judged(&mut link, text), What::SectionAttenuation);
    assert!(at_1310.iter().all(|verdict| *verdict == Verdict::Pass));
    // A stretch whose section could not be measured both ways does not pass unseen.
    link.sections.remove(1);
    let missing = judged(&mut link, text);
    assert_eq!(missing.verdict, Verdict::NotJudged);
    let place = &missing.judgements[1].place;
    assert!(matches!(place, Place::Section { from, .. } if *from == link.events[1].position.value));
    link.sections[0].attenuation.std_error = Some(Attenuation::from_db_per_km(1.0));
    assert_eq!(
        judged(&mut link, text).judgements[0].verdict,
        Verdict::Undecided
    );
}

#[test]
fn a_clipped_reflection_may_fail_and_never_passes() {
    let text = "[reflectance]\nmax_db = -45\nsource = 'contract value'\n";
    let (mut link, _) = links::country_link();
    // Written: −54.5 and −52.0 dB.
    assert_eq!(judged(&mut link, text).verdict, Verdict::Pass);
    for (bound_db, expected) in [(-54.5, Verdict::Undecided), (-40.0, Verdict::Fail)] {
        let reading = link.events[0].reflectance_a.as_mut().unwrap();
        reading.is_bound = true;
        reading.value = Reflectance::from_db(bound_db);
        judged(&mut link, text);
        assert_eq!(link.events[0].verdict, expected);
    }
    // A connector without any reflection: how weak it is was not measured.
    link.events[0].reflectance_a = None;
    link.events[0].reflectance_b = None;
    judged(&mut link, text);
    assert_eq!(link.events[0].verdict, Verdict::NotJudged);
}

#[test]
fn a_return_loss_keeps_the_error_of_the_backscatter_coefficient() {
    let text = "[orl]\nmin_db = 32\nsource = 'contract value'\n";
    let (mut link, _) = links::country_link();
    // 1.645 · 0.29 dB = 0.477 dB of guard band for a given coefficient, 0.954 dB for the usual.
    link.orl_a = Some(ReturnLoss::from_db(32.6));
    link.orl_b = Some(ReturnLoss::from_db(32.6));
    link.a.backscatter_is_default = false;
    link.b.backscatter_is_default = true;
    let judged_both = judged(&mut link, text);
    let verdicts = verdict_of(&judged_both, What::ReturnLoss);
    assert_eq!(verdicts, [Verdict::Pass, Verdict::Undecided]);
    link.orl_a = None;
    assert_eq!(judged(&mut link, text).verdict, Verdict::NotJudged);
}

#[test]
fn a_group_passes_by_its_sum_and_never_fails() {
    let (mut link, _) = links::building_link();
    let text = "[splice_loss]\nmax_db = 0.15\nsource = 'a'\n[connector_loss]\nmax_db = 0.75\nsource = 'b'\n";
    let number = link
        .events
        .iter()
        .position(|e| e.kind == EventKind::Group)
        .unwrap();
    let judge_sum = |link: &mut Link, sum: f64| {
        link.events[number].loss = Ok(Measured {
            value: Loss::from_db(sum),
            std_error: Some(Loss::from_db(0.002)),
        });
        judged(link, text);
        link.events[number].verdict
    };
    assert_eq!(judge_sum(&mut link, 0.10), Verdict::Pass);
    // Among two connectors, or a connector and a splice, none need be out of its limit.
    assert_eq!(judge_sum(&mut link, 0.53), Verdict::Undecided);
    assert_eq!(judge_sum(&mut link, 3.0), Verdict::Undecided);
    let echo = link
        .events
        .iter()
        .find(|e| e.kind == EventKind::Echo)
        .unwrap();
    assert_eq!((echo.verdict, echo.limit), (Verdict::NotJudged, None));
}

#[test]
fn an_interrupted_fibre_fails() {
    let (mut link, _) = links::broken_link();
    assert_eq!(judged(&mut link, SPLICES).verdict, Verdict::Fail);
}

#[test]
fn every_built_in_value_has_a_source_and_every_set_reads_back_to_the_same() {
    for (limits, _) in built_ins() {
        let text = limits.to_toml();
        assert_eq!(Limits::from_toml(&text, "other").unwrap(), limits, "{text}");
        for line in limits.lines(None) {
            let says_where = ["ITU-T", "IEC", "TIA", "contract", "sum of"]
                .iter()
                .any(|word| line.source.contains(word));
            assert!(says_where, "{}: {:?}", limits.name, line);
        }
    }
}

#[test]
fn a_fault_in_a_limits_file_has_its_place() {
    let faults: Vec<String> = [
        "",
        "name = 'x'\n",
        "[splice_los]\nmax_db = 0.1\n",
        "[splice_loss]\nmax_db = 0.1\n",
        "[splice_loss]\nmax_dB = 0.1\nsource = 'a'\n",
        "[splice_loss]\n  max_db = '0.1'\nsource = 'a'\n",
        "[splice_loss]\nmax_db = 0,1\nsource = 'a'\n",
        "[splice_loss]\nmax_db = nan\nsource = 'a'\n",
        "[splice_loss]\nmax_db = 0.1\nsource = ''\n",
        "splice_loss = 0.1\n",
        "[reflectance]\nmax_db = 45\nsource = 'a'\n",
        "[splices_over]\nover_db = 0.1\nat_most = 1.5\nsource = 'a'\n",
        "[section_attenuation]\nmax_db_per_km = 0.3\nsource = 'a'\n",
        "[[section_attenuation]]\nfrom_nm = 1565\nto_nm = 1530\nmax_db_per_km = 0.3\nsource = 'a'\n",
        "[[link_loss]]\nsource = 'a'\n",
        "[[link_loss]]\nmax_db = 7\nper_km_db = 0.3\nsource = 'a'\n",
        "[[link_loss]]\nper_km_db = 0.3\nsource = 'a'\n",
        "[splice_loss]\nmax_db = 0.1\nsource = 'ä', colour = 1\n",
    ]
    .iter()
    .map(|text| Limits::from_toml(text, "x").unwrap_err().to_string())
    .collect();
    insta::assert_snapshot!(faults.join("\n"));
}

#[test]
fn a_roll_up_is_the_worst_whatever_the_order() {
    use Verdict::{Fail, NotJudged, Pass, Undecided};
    let all = [Pass, Undecided, NotJudged, Fail];
    for one in all {
        for other in all {
            assert_eq!(roll_up([one, other]), roll_up([other, one]));
            assert_eq!(roll_up([one, other]) == Pass, one == Pass && other == Pass);
        }
    }
}
