//! What must hold before two traces may be averaged.

use crate::trace::Trace;
use crate::units::Length;
use crate::warning::Warning;

use super::combine::Settings;

/// Nominal wavelengths farther apart than this are different: lasers of one
/// nominal wavelength differ by a few nanometres. Our choice, no source.
const SAME_WAVELENGTH_NM: f64 = 5.0;

/// Why two traces cannot be averaged.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CombineError {
    /// The wavelengths differ.
    #[error(
        "the traces were taken at {a_nm} nm and {b_nm} nm; only readings at one wavelength \
         (within {SAME_WAVELENGTH_NM} nm) may be averaged"
    )]
    WavelengthsDiffer {
        /// Wavelength of the trace from A.
        a_nm: f64,
        /// Wavelength of the trace from B.
        b_nm: f64,
    },
    /// Both traces name the same end as the one they were taken from.
    #[error(
        "both traces say they were taken from {end:?}; one from each end is needed (if a header \
         is wrong, say --accept-pairing)"
    )]
    SameEnd {
        /// The end.
        end: String,
    },
    /// The headers name different ends or fibres.
    #[error(
        "the traces name different {what}: {a:?} and {b:?}; if they are the two directions of one \
         fibre all the same, say --accept-pairing"
    )]
    DifferentLinks {
        /// Which entry of the header.
        what: &'static str,
        /// What the trace from A says.
        a: String,
        /// What the trace from B says.
        b: String,
    },
    /// The samples are the same.
    #[error("both files hold the same samples: this is one trace given twice")]
    SameSamples,
    /// The pattern of events fits as if both were taken from one end.
    #[error(
        "{matches} events lie at the same distances from the instrument in both traces and \
         {mirrored} fit when one is turned round: both look taken from the same end"
    )]
    LooksLikeSameEnd {
        /// Events that fall together when B is not turned.
        matches: usize,
        /// Events that fall together when it is.
        mirrored: usize,
    },
    /// The lengths cannot be those of one fibre.
    #[error(
        "from A the link is {a_m:.1} m long, from B {b_m:.1} m: not the same fibre; if it is \
         broken, give its whole length with --length-m, or say --broken, and each part is \
         reported from its own end"
    )]
    LengthsDiffer {
        /// Length seen from A.
        a_m: f64,
        /// Length seen from B, in metres of A's axis.
        b_m: f64,
    },
    /// The fibre is called broken, and light crosses it.
    #[error(
        "both traces show the whole link, {a_m:.1} m from A and {b_m:.1} m from B: the fibre is \
         not broken; leave --broken out"
    )]
    NotBroken {
        /// Length seen from A.
        a_m: f64,
        /// Length seen from B, in metres of A's axis.
        b_m: f64,
    },
    /// The two files give one cord two lengths.
    #[error(
        "the cord at {end} is {a_m} m long in the header of A's trace and {b_m} m in that of B's: \
         correct one of them"
    )]
    CordsDiffer {
        /// A or B.
        end: char,
        /// Length in the header of the trace from A.
        a_m: f64,
        /// Length in the header of the trace from B.
        b_m: f64,
    },
    /// Nothing ties the two axes together.
    #[error(
        "neither an end nor four common events tie the two traces together: neither sees the \
         far end, and no shift lays enough of their events on each other; give the length with \
         --length-m, or measure with a longer averaging time or pulse"
    )]
    NothingInCommon,
    /// What one trace shows clearly, the other shows not at all, again and again.
    #[error(
        "{alone} events that one trace shows clearly are not in the other, and {together} are in \
         both: the traces are of different fibres, or their ends were taken wrongly (the length \
         came out as {length_m:.1} m; give the true one with --length-m)"
    )]
    EventsDisagree {
        /// Events in one trace only.
        alone: usize,
        /// Events in both.
        together: usize,
        /// Length of the link by the ends.
        length_m: f64,
    },
    /// A trace holds no fibre that can be measured.
    #[error("the trace from {end} shows no backscatter behind its dead zone")]
    NoLight {
        /// A or B.
        end: char,
    },
}

/// Checks the headers and samples of the two traces.
///
/// Names that contradict each other are an error, or doubts where `settings` accepts
/// the pairing all the same.
///
/// # Errors
/// [`CombineError`] when they cannot be the two directions of one fibre.
pub fn check_pair(a: &Trace, b: &Trace, settings: &Settings) -> Result<Vec<Warning>, CombineError> {
    let (a_nm, b_nm) = (a.wavelength().nm(), b.wavelength().nm());
    if (a_nm - b_nm).abs() > SAME_WAVELENGTH_NM {
        return Err(CombineError::WavelengthsDiffer { a_nm, b_nm });
    }
    let same_samples = a.len() == b.len()
        && a.levels_db()
            .iter()
            .zip(b.levels_db())
            .all(|(x, y)| x.to_bits() == y.to_bits());
    if same_samples {
        return Err(CombineError::SameSamples);
    }
    let contradictions = contradictions(a, b);
    if settings.accept_pairing {
        return Ok(contradictions
            .into_iter()
            .map(|error| {
                let names = match error {
                    CombineError::SameEnd { end } => {
                        format!("both traces say they were taken from {end:?}")
                    }
                    CombineError::DifferentLinks { what, a, b } => {
                        format!("the traces name different {what}: {a:?} and {b:?}")
                    }
                    other => other.to_string(),
                };
                Warning::new(
                    "pairing accepted",
                    format!("{names}; they were measured together because you said so"),
                )
            })
            .collect());
    }
    match contradictions.into_iter().next() {
        Some(error) => Err(error),
        None => Ok(Vec::new()),
    }
}

/// Names in the two headers that cannot both be right.
fn contradictions(a: &Trace, b: &Trace) -> Vec<CombineError> {
    let (ha, hb) = (a.header(), b.header());
    let mut found = Vec::new();
    if let (Some(x), Some(y)) = (&ha.from, &hb.from)
        && same_name(x, y)
    {
        found.push(CombineError::SameEnd { end: x.clone() });
    }
    for (what, x, y) in [
        ("ends", &ha.from, &hb.to),
        ("ends", &ha.to, &hb.from),
        ("fibres", &ha.fibre, &hb.fibre),
        ("cables", &ha.cable, &hb.cable),
    ] {
        if let (Some(x), Some(y)) = (x, y)
            && !same_name(x, y)
        {
            found.push(CombineError::DifferentLinks {
                what,
                a: x.clone(),
                b: y.clone(),
            });
        }
    }
    found
}

fn same_name(x: &str, y: &str) -> bool {
    x.trim().to_lowercase() == y.trim().to_lowercase()
}

/// Cords at A and at B, from either header; and whether each was stated by both.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cords {
    /// Cord at A's end.
    pub at_a: Option<Length>,
    /// Cord at B's end.
    pub at_b: Option<Length>,
    /// Both files give both cords, each the same: the cords stayed on.
    pub stated_by_both: bool,
}

/// Share by which two statements of one cord's length may differ: the same cord read
/// at two group indices, or rounded.
const SAME_CORD: f64 = 0.01;

/// Takes the cords from the two headers: the launch cord of one direction is the
/// tail cord of the other.
///
/// # Errors
/// [`CombineError::CordsDiffer`] when both files state a cord, differently.
pub fn cords(a: &Trace, b: &Trace) -> Result<Cords, CombineError> {
    let (ha, hb) = (a.header(), b.header());
    let same = |end: char, x: Option<Length>, y: Option<Length>| match (x, y) {
        (Some(x), Some(y)) if (x.m() - y.m()).abs() > SAME_CORD * x.m().max(y.m()) => {
            Err(CombineError::CordsDiffer {
                end,
                a_m: x.m(),
                b_m: y.m(),
            })
        }
        (Some(_), Some(_)) => Ok(true),
        _ => Ok(false),
    };
    let at_a = same('A', ha.launch_cord, hb.tail_cord)?;
    let at_b = same('B', ha.tail_cord, hb.launch_cord)?;
    Ok(Cords {
        at_a: ha.launch_cord.or(hb.tail_cord),
        at_b: hb.launch_cord.or(ha.tail_cord),
        stated_by_both: at_a && at_b,
    })
}
