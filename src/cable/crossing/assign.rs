//! Which trace from B belongs to which trace from A, in the likeliest pairing of all.

use std::collections::BTreeSet;

use pathfinding::prelude::{Matrix, kuhn_munkres};
use rayon::prelude::*;

use super::Score;

/// Fibres of which some trace would better belong elsewhere: a ring that is likelier than
/// the labels has one at least, however little the labels contradict each other at any
/// single joint.
///
/// `own` are the totals of the labels; `above` gives that of a pairing where it exceeds a number.
pub(super) fn suspects(
    own: &[f64],
    above: &(dyn Fn(usize, usize, f64) -> Option<f64> + Sync),
) -> Vec<usize> {
    let n = own.len();
    let better = |i: usize| -> Vec<usize> {
        let others = (0..n).filter(|&j| j != i);
        others
            .filter_map(|j| Some((j, above(i, j, own[i].min(own[j]))?)))
            .flat_map(|(j, found)| [(i, found), (j, found)])
            .filter(|&(k, found)| found > own[k])
            .map(|(k, _)| k)
            .collect()
    };
    let all: Vec<Vec<usize>> = (0..n).into_par_iter().map(better).collect();
    let all: BTreeSet<usize> = all.into_iter().flatten().collect();
    all.into_iter().collect()
}

/// The suspects with the fibres to which their traces would best belong: the third of a ring
/// may be so like one of the others that its own label contradicts nothing.
pub(super) fn with_best_partners(
    suspects: Vec<usize>,
    n: usize,
    score: &(dyn Fn(usize, usize) -> f64 + Sync),
) -> Vec<usize> {
    let best = |of: &dyn Fn(usize) -> f64| {
        let all = (0..n).map(|k| (k, of(k)));
        all.max_by(|p, q| p.1.total_cmp(&q.1)).map(|(k, _)| k)
    };
    let partners: Vec<[Option<usize>; 2]> = (suspects.par_iter())
        .map(|&s| [best(&|k| score(s, k)), best(&|k| score(k, s))])
        .collect();
    let partners = partners.into_iter().flatten().flatten();
    let all: BTreeSet<usize> = suspects.into_iter().chain(partners).collect();
    all.into_iter().collect()
}

/// For each trace from A the trace from B that belongs to it in the likeliest pairing of
/// all, less the exchanges of whom it does not speak by more than `to_join`: each must earn
/// its place, not only the ring as a whole. Undoing one puts a fibre back to its own, or
/// parts one ring in two.
///
/// The assignment already takes half of it off each pair of two fibres, which is an
/// exchange's price in a crossing of two: where several exchanges gain little together, no
/// single one need be undone at a small loss.
pub(super) fn best_images(scores: &[Vec<Score>], to_join: f64) -> Vec<usize> {
    let n = scores.len();
    if n < 2 {
        return (0..n).collect();
    }
    let weights = Matrix::from_fn(n, n, |(i, j)| {
        let price = if i == j { 0.0 } else { 0.5 * to_join };
        ((scores[i][j].total() - price) * 1e6).round() as i64
    });
    let (_, mut image) = kuhn_munkres(&weights);
    loop {
        let lost = |&(s, t): &(usize, usize)| {
            let pair = |i: usize, j: usize| scores[i][j].total();
            pair(s, image[s]) + pair(t, image[t]) - pair(s, image[t]) - pair(t, image[s])
        };
        let least = rings(&image)
            .iter()
            .flat_map(|ring| {
                let later = |k: usize| ring[k + 1..].iter().map(move |&t| (ring[k], t));
                (0..ring.len()).flat_map(later).collect::<Vec<_>>()
            })
            .map(|pair| (lost(&pair), pair))
            .filter(|(lost, _)| *lost < to_join)
            .min_by(|p, q| p.0.total_cmp(&q.0));
        match least {
            Some((_, (s, t))) => image.swap(s, t),
            None => return image,
        }
    }
}

/// The rings of a permutation that have more than one member.
pub(super) fn rings(image: &[usize]) -> Vec<Vec<usize>> {
    let mut done = vec![false; image.len()];
    let mut found = Vec::new();
    for start in 0..image.len() {
        let mut ring = Vec::new();
        let mut at = start;
        while !done[at] {
            done[at] = true;
            ring.push(at);
            at = image[at];
        }
        if ring.len() > 1 {
            found.push(ring);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each exchange must earn its place: of four fibres of which two and two are crossed, a
    /// ring of all four that fits a little better is not taken for them; one that fits much
    /// better is. A third fibre that gains little stays with its own.
    #[test]
    fn an_exchange_that_gains_little_is_undone() {
        let with = |gains: &[(usize, usize, f64)]| -> Vec<Vec<Score>> {
            let mut scores = vec![vec![Score::default(); 4]; 4];
            for &(i, j, joints) in gains {
                scores[i][j].joints = joints;
            }
            scores
        };
        let pairs = [(0, 1, 10.0), (1, 0, 10.0), (2, 3, 10.0), (3, 2, 10.0)];
        // The ring 0, 1, 2, 3 takes three of its four pairings from elsewhere.
        for (more, wanted) in [(1.0, [1, 0, 3, 2]), (9.0, [1, 2, 3, 0])] {
            let ring = [(1, 2, 10.0), (3, 0, 10.0 + more)];
            let all: Vec<_> = pairs.iter().chain(&ring).copied().collect();
            assert_eq!(best_images(&with(&all), 6.0), wanted);
        }
        // A ring of four that gains 5 over one of its pairs by two exchanges more, neither of
        // which can be undone alone: all other pairings are 12 below the labels.
        let mut scores = with(&[(0, 2, 2.0), (2, 3, 6.0), (3, 1, 10.0), (1, 0, 7.0)]);
        scores[1][3].joints = 10.0;
        for (i, row) in scores.iter_mut().enumerate() {
            for (j, score) in row.iter_mut().enumerate() {
                if i != j && score.joints.abs() < f64::EPSILON {
                    score.joints = -12.0;
                }
            }
        }
        assert_eq!(best_images(&scores, 6.0), [0, 3, 2, 1]);
        // 0 and 1 exchanged give 20; with 2 between them, 24 in place of 20 and its own.
        let third = [(0, 1, 10.0), (1, 0, 10.0), (1, 2, 7.0), (2, 0, 7.0)];
        assert_eq!(best_images(&with(&third), 6.0), [1, 0, 2, 3]);
    }

    /// Whatever contradicts the labels by little at many joints shows in their sum: the two
    /// fibres whose traces fit each other better than their own are looked at, and no other.
    #[test]
    fn fibres_that_fit_others_better_are_suspects() {
        let total = |i: usize, j: usize| match (i, j) {
            (1, 4) | (4, 1) => 3.0,
            (1, 1) | (4, 4) => -4.0,
            _ if i == j => 5.0,
            _ => -20.0,
        };
        let own: Vec<f64> = (0..6).map(|i| total(i, i)).collect();
        let above = |i, j, least| Some(total(i, j)).filter(|found| *found > least);
        assert_eq!(suspects(&own, &above), [1, 4]);
    }
}
