//! From two traces to one link.

use crate::detect::DetectSettings;
use crate::measure::{ExpectedJoint, Look, glance, usual_backscatter};
use crate::trace::Trace;
use crate::units::{BackscatterCoefficient, Length, Position};
use crate::warning::Warning;

use super::broken::broken_link;
use super::build::build_link;
use super::check::{CombineError, Cords, check_pair, cords};
use super::ends::{LENGTHS_AGREE, settle_ends};
use super::glimpse::Glimpse;
use super::joint::{Joint, detect_jointly};
use super::link::{Direction, Link, Profiles};
use super::readings::{Cluster, read_all};
use super::register::{Axis, Known, register, register_again};

/// Share by which reflections may be longer or shorter than the stated pulse, two
/// samples at least: a slow receiver adds some, a wrong setting is off by a factor.
const PULSE_DOUBT: f64 = 0.5;

/// What the two-way measurement is set to.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Settings {
    /// Detection.
    pub detect: DetectSettings,
    /// Length of the fibre, where it is known.
    pub known_length: Option<Length>,
    /// The fibre is known to be interrupted: report each part from its own end.
    pub broken: bool,
    /// Joints known from a plan: name and place on A's axis.
    pub known_joints: Vec<KnownJoint>,
    /// Measure two traces together whose headers name different fibres, cables or ends.
    pub accept_pairing: bool,
}

/// A joint whose place is known.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownJoint {
    /// Name of the joint.
    pub name: String,
    /// Metres of fibre from A's first connector.
    pub position: Position,
    /// By how much the place may be off: an event found so near is the joint. Without it,
    /// an event within a pulse is.
    pub may_be_off: Option<Length>,
}

/// A place to measure, and how near an event must be found for it to be that event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fixed {
    pub(super) place_m: f64,
    pub(super) reach_m: f64,
}

/// A link with the traces to draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Combined {
    /// The result.
    pub link: Link,
    /// Both traces on A's axis.
    pub profiles: Profiles,
}

/// The two traces and what each shows by itself.
pub(super) struct Pair<'t> {
    pub(super) a: &'t Trace,
    pub(super) b: &'t Trace,
    pub(super) look_a: Look,
    pub(super) look_b: Look,
    pub(super) cords: Cords,
    pub(super) backscatter: [(BackscatterCoefficient, bool); 2],
    pub(super) settings: &'t Settings,
    pub(super) warnings: Vec<Warning>,
}

/// Measures one fibre from its two traces; `a` is the one taken from A.
///
/// # Errors
/// [`CombineError`] when the traces cannot be the two directions of one fibre at
/// one wavelength.
pub fn combine(a: &Trace, b: &Trace, settings: &Settings) -> Result<Combined, CombineError> {
    let (link, profiles) = combined(a, b, settings, &[], &mut |_| Vec::new(), true)?;
    Ok(Combined { link, profiles })
}

/// Measures one fibre from its two traces as [`combine`] does, and on the way shows
/// `watch` what each trace, A's first, tells by itself ([`Glimpse`]); nothing is made to be
/// drawn.
///
/// `joints` are those that other fibres of the cable have, in shares of the link's length from A;
/// they tell where each trace is looked at first, and nothing is measured because of them. None
/// are needed.
///
/// `watch` is asked once, before the two are laid on each other, and gives joints
/// to be measured besides those of the settings: whoever knows the places of joints
/// in other fibres of the cable can scale them to this one's length. It is asked also
/// where the two cannot be combined, so that it may say why.
///
/// # Errors
/// As [`combine`].
pub fn combine_watched(
    a: &Trace,
    b: &Trace,
    settings: &Settings,
    joints: &[ExpectedJoint],
    watch: &mut dyn FnMut([Glimpse; 2]) -> Vec<KnownJoint>,
) -> Result<Link, CombineError> {
    combined(a, b, settings, joints, watch, false).map(|(link, _)| link)
}

/// The link and, where they are `drawn`, both traces on A's axis.
fn combined(
    a: &Trace,
    b: &Trace,
    settings: &Settings,
    joints: &[ExpectedJoint],
    watch: &mut dyn FnMut([Glimpse; 2]) -> Vec<KnownJoint>,
    drawn: bool,
) -> Result<(Link, Profiles), CombineError> {
    let warnings = check_pair(a, b, settings)?;
    let cords = cords(a, b)?;
    let turned = ExpectedJoint::turned(joints);
    let (look_a, look_b) = rayon::join(
        || glance(a, cords.at_a, cords.at_b, settings.detect, joints),
        || glance(b, cords.at_b, cords.at_a, settings.detect, &turned),
    );
    for (end, look) in [('A', &look_a), ('B', &look_b)] {
        if look.bound.hi < look.bound.lo + 16 {
            watch([Glimpse::of(&look_a), Glimpse::of(&look_b)]);
            return Err(CombineError::NoLight { end });
        }
    }
    let backscatter = [a, b].map(|t| match t.header().backscatter {
        Some(given) => (given, false),
        None => (usual_backscatter(t.wavelength().nm()), true),
    });
    let mut pair = Pair {
        a,
        b,
        look_a,
        look_b,
        cords,
        backscatter,
        settings,
        warnings,
    };
    warn_of_settings(&mut pair);
    let index_ratio = b.group_index().ratio() / a.group_index().ratio();
    settle_ends(&mut pair, index_ratio);
    let more = watch([Glimpse::of(&pair.look_a), Glimpse::of(&pair.look_b)]);
    let mut with_more = settings.clone();
    with_more.known_joints.extend(more);
    let settings = &with_more;
    pair.settings = settings;
    if is_broken(&pair, index_ratio)? {
        // Each part is told by its own trace alone.
        pair.look_a.closer(settings.detect);
        pair.look_b.closer(settings.detect);
        return Ok(broken_link(&pair, index_ratio, drawn));
    }
    refuse_same_end(&pair, index_ratio)?;
    let known = Known {
        length: settings.known_length,
        cords_stayed: pair.cords.stated_by_both,
    };
    let axis = register(&pair.look_a, &pair.look_b, index_ratio, known)
        .ok_or(CombineError::NothingInCommon)?;
    hide_alike(&mut pair, &axis);
    let length_m = expected_length(&pair, &axis);
    let fixed = fixed_places(&pair, length_m);
    // From here on the levels belong to both traces together.
    let eyes = [pair.look_a.give_eye(), pair.look_b.give_eye()];
    let looks = (&pair.look_a, &pair.look_b);
    let coefficients = [pair.backscatter[0].0, pair.backscatter[1].0];
    let pulse_db = [(a, coefficients[0]), (b, coefficients[1])]
        .map(|(trace, one_ns)| one_ns.db() + 10.0 * trace.pulse_width().ns().log10());
    let mut joint = detect_jointly(
        looks,
        eyes,
        pulse_db,
        &axis,
        settings.detect,
        &fixed,
        |found| register_again(looks, &axis, index_ratio, known, found),
    );
    warn_of_joints_outside(&mut pair, length_m);
    let read = |joint: &Joint| {
        let finder = joint.finder(settings.detect);
        read_all(joint, &finder, [a, b], coefficients, length_m)
    };
    let mut readings = read(&joint);
    let least = NOTHING * joint.finder(settings.detect).least_square();
    let nothing = without_loss(&joint, &readings.clusters, least);
    if !nothing.is_empty() {
        for mark in nothing.into_iter().rev() {
            joint.marks.remove(mark);
        }
        readings = read(&joint);
    }
    if !settings.accept_pairing {
        refuse_strangers(&readings.clusters, length_m)?;
    }
    let finder = joint.finder(settings.detect);
    let link = build_link(&pair, &joint, &finder, &readings, length_m);
    let profiles = drawn.then(|| Profiles::of(&link, a, b));
    Ok((link, profiles.unwrap_or_default()))
}

/// Marks found by a step of which the two readings show nothing: what the fibre's own
/// unevenness or the end of a tail makes, where the noise is far less than either.
///
/// `least` is the sum of the squares of two readings over their standard errors below which
/// they show nothing.
fn without_loss(joint: &Joint, clusters: &[Cluster], least: f64) -> Vec<usize> {
    clusters
        .iter()
        .filter(|c| c.marks.len() == 1)
        .filter(|c| {
            let mark = &joint.marks[c.marks.start];
            let squares = c.readings.iter().map(|reading| {
                let loss = reading.as_ref().ok()?.loss;
                Some((loss.value.db() / loss.std_error?.db()).powi(2))
            });
            let square: Option<f64> = squares.sum();
            let found_by_step = !mark.strong && mark.reflective.iter().all(|r| !r);
            found_by_step && square.is_some_and(|s| s < least)
        })
        .map(|c| c.marks.start)
        .collect()
}

/// The least squared threshold of detection, that of its longest windows, times this: below
/// it two readings show nothing. Readings with shorter lines than detection had keep more
/// than that of any joint worth a threshold. A number that does not follow the setting of false events lets a
/// greater setting find no more: 3.7 on bare fibre for 10 (27 in 7,259 km).
const NOTHING: f64 = 1.25;

/// Refuses two traces of which each shows clearly what the other does not.
///
/// The readings of a joint are its loss and the backscatter step, added in one and taken
/// off in the other. That one is nothing where the other is clear happens where loss and
/// step are alike: to one joint, not to most.
fn refuse_strangers(clusters: &[Cluster], length_m: f64) -> Result<(), CombineError> {
    let (mut alone, mut together) = (0, 0);
    for cluster in clusters {
        let [Ok(a), Ok(b)] = &cluster.readings else {
            continue;
        };
        let [Some(u), Some(v)] = [a, b].map(|r| r.loss.std_error) else {
            continue;
        };
        let (a, b, u, v) = (
            a.loss.value.db().abs(),
            b.loss.value.db().abs(),
            u.db(),
            v.db(),
        );
        let one_only = |clear: f64, nothing: f64, u: f64, v: f64| {
            clear > CLEAR * u && clear > CLEAR * v && nothing < NOT_THERE * v
        };
        if one_only(a, b, u, v) || one_only(b, a, v, u) {
            alone += 1;
        } else if a > NOT_THERE * u && b > NOT_THERE * v {
            together += 1;
        }
    }
    if alone >= STRANGERS && alone > 2 * together {
        return Err(CombineError::EventsDisagree {
            alone,
            together,
            length_m,
        });
    }
    Ok(())
}

/// Standard errors from which a reading is clear: it would be seen in the other trace even
/// if half of it were backscatter step.
const CLEAR: f64 = 8.0;

/// Standard errors below which a reading shows nothing.
const NOT_THERE: f64 = 3.0;

/// Events in one trace only from which the two are strangers: loss and step agree to three
/// in eight of themselves by chance in perhaps one joint of ten, in four of four in one
/// link of ten thousand.
const STRANGERS: usize = 4;

/// Length of the link that the two looks and the axis give before the joint detection.
fn expected_length(pair: &Pair<'_>, axis: &Axis) -> f64 {
    match pair.look_a.far {
        Some(far) if far.std_error_m.is_some() => far.own_m - pair.look_a.near.own_m,
        _ => axis.place(pair.look_b.near.own_m),
    }
}

/// Joints that must be measured whether they show or not: the first and last
/// connector where cords allow it, and those of a plan.
fn fixed_places(pair: &Pair<'_>, length_m: f64) -> Vec<Fixed> {
    let exact = |place_m: f64| Fixed {
        place_m,
        reach_m: 0.0,
    };
    let mut fixed = Vec::new();
    if pair.look_a.near.has_cord {
        fixed.push(exact(0.0));
    }
    if pair.look_b.near.has_cord {
        fixed.push(exact(length_m));
    }
    fixed.extend(pair.settings.known_joints.iter().map(|j| Fixed {
        place_m: j.position.m(),
        reach_m: j.may_be_off.map_or(0.0, Length::m),
    }));
    fixed
}

/// Hides in both directions what the wider pulse hides.
fn hide_alike(pair: &mut Pair<'_>, axis: &Axis) {
    let hidden =
        |look: &Look, scale: f64| look.eye.hidden_samples() as f64 * look.eye.spacing_m * scale;
    let (a_m, b_m) = (hidden(&pair.look_a, 1.0), hidden(&pair.look_b, axis.scale));
    let extra = |missing_m: f64, spacing_m: f64| (missing_m / spacing_m).max(0.0) as usize;
    pair.look_a.eye.settling += extra(b_m - a_m, pair.look_a.eye.spacing_m);
    pair.look_b.eye.settling += extra(a_m - b_m, pair.look_b.eye.spacing_m * axis.scale);
}

/// Whether the two lengths tell of a break; an error when they tell of two fibres.
fn is_broken(pair: &Pair<'_>, index_ratio: f64) -> Result<bool, CombineError> {
    let (Some(far_a), Some(far_b)) = (pair.look_a.far, pair.look_b.far) else {
        return Ok(pair.settings.broken);
    };
    let a_m = far_a.own_m - pair.look_a.near.own_m;
    let b_m = (far_b.own_m - pair.look_b.near.own_m) * index_ratio;
    let doubt = 2.0 * pair.look_a.eye.spacing_m
        + 2.0 * pair.look_b.eye.spacing_m
        + if far_a.std_error_m.is_none() || far_b.std_error_m.is_none() {
            // An end that is only stated by its cord: 1 % of 1 km and a pulse.
            0.02 * (pair.look_a.near.own_m + pair.look_b.near.own_m)
                + pair.look_a.eye.pulse_samples * pair.look_a.eye.spacing_m
        } else {
            0.0
        };
    let agree = (a_m - b_m).abs() <= LENGTHS_AGREE * a_m.max(b_m) + doubt;
    let whole = pair.settings.known_length.map(Length::m);
    if pair.settings.broken {
        let both_seen = far_a.std_error_m.is_some() && far_b.std_error_m.is_some();
        return if agree && both_seen {
            Err(CombineError::NotBroken { a_m, b_m })
        } else {
            Ok(true)
        };
    }
    if agree && whole.is_none_or(|l| (a_m - l).abs() <= LENGTHS_AGREE * l + doubt) {
        return Ok(false);
    }
    // Ends of light as they are: a broken fibre shows no tail cord.
    let parts = [(&pair.look_a, 1.0), (&pair.look_b, index_ratio)].map(|(look, scale)| {
        (look.eye.metres(look.end.limit(look.eye.len()) as f64) - look.near.own_m) * scale
    });
    // Both files state a tail cord and neither trace shows it: light does not cross.
    let no_cord_seen = [far_a, far_b]
        .iter()
        .all(|far| far.has_cord && far.std_error_m.is_none());
    match whole {
        None if !agree && no_cord_seen && pair.cords.stated_by_both => Ok(true),
        Some(l) if (parts[0] + parts[1] - l).abs() <= LENGTHS_AGREE * l + doubt => Ok(true),
        _ if agree => Ok(false),
        // Where no tail cord shows, the light's own end is the length.
        _ => {
            let seen = |far: crate::measure::LinkEnd, to_cord: f64, to_end: f64| {
                if far.std_error_m.is_some() {
                    to_cord
                } else {
                    to_end
                }
            };
            Err(CombineError::LengthsDiffer {
                a_m: seen(far_a, a_m, parts[0]),
                b_m: seen(far_b, b_m, parts[1]),
            })
        }
    }
}

/// Refuses two traces whose events fall together unturned and not turned.
fn refuse_same_end(pair: &Pair<'_>, index_ratio: f64) -> Result<(), CombineError> {
    let (Some(far_a), Some(far_b)) = (pair.look_a.far, pair.look_b.far) else {
        return Ok(());
    };
    let inner = |look: &Look, far_m: f64, scale: f64| -> Vec<(f64, f64)> {
        look.marks
            .iter()
            .filter(|m| m.z_m > look.near.own_m + 1.0 && m.z_m < far_m - 1.0)
            .filter_map(|m| Some(((m.z_m - look.near.own_m) * scale, m.std_error_m?)))
            .collect()
    };
    let of_a = inner(&pair.look_a, far_a.own_m, 1.0);
    let of_b = inner(&pair.look_b, far_b.own_m, index_ratio);
    let length = far_a.own_m - pair.look_a.near.own_m;
    let count = |turned: bool| {
        of_a.iter()
            .filter(|(z, e)| {
                of_b.iter().any(|(x, f)| {
                    let place = if turned { length - x } else { *x };
                    let reach = 4.0 * e.hypot(*f) + pair.look_a.eye.spacing_m + 1e-3 * z;
                    (place - z).abs() <= reach
                })
            })
            .count()
    };
    let (matches, mirrored) = (count(false), count(true));
    // Three events in a row do not fall together by chance; a link that is its own
    // mirror image fits both ways and passes.
    if matches >= 3 && mirrored * 3 <= matches {
        return Err(CombineError::LooksLikeSameEnd { matches, mirrored });
    }
    Ok(())
}

fn warn_of_settings(pair: &mut Pair<'_>) {
    let (a, b) = (pair.a, pair.b);
    let mut say = |code: &'static str, message: String| {
        pair.warnings.push(Warning::new(code, message));
    };
    let (wa, wb) = (a.pulse_width().ns(), b.pulse_width().ns());
    if (wa - wb).abs() > 1e-9 * wa.max(wb) {
        say(
            "pulse widths differ",
            format!(
                "the pulse is {wa} ns from A and {wb} ns from B: what the wider one hides is left \
                 out on both sides"
            ),
        );
    }
    let (sa, sb) = (a.spacing_m(), b.spacing_m());
    if (sa - sb).abs() > 1e-3 * sa.max(sb) {
        say(
            "spacings differ",
            format!(
                "samples are {sa:.4} m apart from A and {sb:.4} m from B: each is used as it is"
            ),
        );
    }
    let (na, nb) = (a.group_index().ratio(), b.group_index().ratio());
    if (na - nb).abs() > 1e-9 {
        say(
            "group indices differ",
            format!("the group index is {na} from A and {nb} from B: B is scaled to A's axis"),
        );
    }
    if let (Some(ta), Some(tb)) = (a.header().averaging_time_s, b.header().averaging_time_s)
        && (ta - tb).abs() > 1e-9
    {
        say(
            "averaging times differ",
            format!(
                "averaged for {ta} s from A and {tb} s from B: each has its own noise and error"
            ),
        );
    }
    for (end, (value, is_default), t) in
        [('A', pair.backscatter[0], a), ('B', pair.backscatter[1], b)]
    {
        if is_default {
            say(
                "backscatter coefficient assumed",
                format!(
                    "the trace from {end} gives no backscatter coefficient: {} dB at 1 ns taken as \
                     usual at {} nm; reflectances and return loss rest on it",
                    value.db(),
                    t.wavelength().nm()
                ),
            );
        }
    }
    for (end, look) in [('A', &pair.look_a), ('B', &pair.look_b)] {
        let stated = look.eye.pulse_samples;
        if let Some(seen) = look.eye.pulse_seen()
            && (seen - stated).abs() > (PULSE_DOUBT * stated).max(2.0)
        {
            say(
                "pulse width doubtful",
                format!(
                    "from {end}: the reflections are {:.1} m long where a pulse of {} ns is {:.1} m: \
                     check the pulse width; places, reflectances and the events themselves rest on it",
                    seen * look.eye.spacing_m,
                    if end == 'A' { wa } else { wb },
                    stated * look.eye.spacing_m
                ),
            );
        }
    }
    let cords = pair.cords;
    if cords.at_a.is_none() || cords.at_b.is_none() {
        say(
            "cords unknown",
            "no file says which cord was on at one of the ends: where it is unknown the link is \
             counted from the port or to the end of the light, and that joint is not measured \
             (give --launch-m and --tail-m)"
                .to_owned(),
        );
    } else if !cords.stated_by_both
        && (cords.at_a.is_some_and(|c| c.m() > 0.0) || cords.at_b.is_some_and(|c| c.m() > 0.0))
    {
        say(
            "cords assumed",
            "that the same cords stayed on both ends for both readings is assumed, not stated by \
             both files: if they were changed, the first and last joint are not two-way"
                .to_owned(),
        );
    }
}

/// Says which joints of the plan lie where the link is not.
fn warn_of_joints_outside(pair: &mut Pair<'_>, length_m: f64) {
    // Within a pulse of an end connector it is that connector.
    let pulse_m = pair.look_a.eye.pulse_samples * pair.look_a.eye.spacing_m;
    let outside = (pair.settings.known_joints.iter())
        .filter(|joint| !(0.0..=length_m + pulse_m).contains(&joint.position.m()));
    for joint in outside {
        pair.warnings.push(Warning::new(
            "joint outside the link",
            format!(
                "joint {:?} is said to lie at {} m, and the link ends at {length_m:.1} m: it is not \
                 measured; check its place, and that it is counted from A's first connector",
                joint.name,
                joint.position.m()
            ),
        ));
    }
}

/// What is kept of one direction; `port` is the place of its port on A's axis.
pub(super) fn direction(
    pair: &Pair<'_>,
    from_a: bool,
    port: Position,
    usable_to: Position,
) -> Direction {
    let (trace, look, (backscatter, is_default)) = if from_a {
        (pair.a, &pair.look_a, pair.backscatter[0])
    } else {
        (pair.b, &pair.look_b, pair.backscatter[1])
    };
    Direction {
        header: trace.header().clone(),
        pulse_width: trace.pulse_width(),
        group_index: trace.group_index(),
        backscatter,
        backscatter_is_default: is_default,
        samples: trace.len(),
        spacing: Length::from_m(trace.spacing_m()),
        range: Length::from_m(trace.position_of(trace.len().saturating_sub(1)).m()),
        port,
        usable_to,
        noise_at_start_db: look.noise_at_start_db(),
        above_noise_at_end_db: look.above_noise_at_end_db(),
        shared_attenuation: None,
    }
}
