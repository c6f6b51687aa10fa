//! Many verdicts as one, and the mean of many values.

use crate::both_ways::Verdict;
use crate::units::{Loss, Measurement};

use super::judge::mean_of;
use super::judgement::{Judgement, Place, What};
use super::limits::LossLimit;

/// One verdict for many: the first of fail, not judged, undecided, pass that occurs.
///
/// What was not measured outranks what is undecided, since it may hide a fault of
/// any size. Nothing at all is not judged.
///
/// ```
/// use bothends::both_ways::Verdict::{Fail, NotJudged, Pass, Undecided};
/// use bothends::verdict::roll_up;
/// assert_eq!(roll_up([Pass, Undecided, Pass]), Undecided);
/// assert_eq!(roll_up([Pass, Undecided, NotJudged]), NotJudged);
/// assert_eq!(roll_up([NotJudged, Fail]), Fail);
/// assert_eq!(roll_up([]), NotJudged);
/// ```
pub fn roll_up(verdicts: impl IntoIterator<Item = Verdict>) -> Verdict {
    verdicts
        .into_iter()
        .max_by_key(|verdict| match verdict {
            Verdict::Pass => 0,
            Verdict::Undecided => 1,
            Verdict::NotJudged => 2,
            Verdict::Fail => 3,
        })
        .unwrap_or(Verdict::NotJudged)
}

/// Holds the plain mean of losses against a limit; used for the joints of a
/// fibre and for the fibres of a closure.
///
/// The errors are taken as independent: u = √(Σu²)/n. Where one of the losses is
/// missing, the mean is that of other joints than the limit is for, and is not judged.
pub fn judge_mean<'m>(
    what: What,
    place: Place,
    losses: impl IntoIterator<Item = &'m Measurement<Loss>>,
    limit: &LossLimit,
    coverage: f64,
) -> Judgement {
    mean_of(what, place, losses, 0, limit, coverage)
}
