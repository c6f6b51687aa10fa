//! Distances in metres, from what the file writes.

use ndarray::Array1;

use super::{Block, nth_row};
use crate::read::block::Run;
use crate::read::error::{ParseError, ParseErrorKind};
use crate::read::grid::{Steps, grid_under, printed_unit};
use crate::read::keys::SPACING_M;
use crate::read::titles::DistanceUnit;
use crate::read::trend::{Fall, fall_per_unit, fitting_units};
use crate::units::{GroupIndex, SPEED_OF_LIGHT_M_PER_S, Wavelength};
use crate::warning::Warning;

/// Once round the Earth in metres (the metre's first definition): no fibre is longer.
/// Larger: files in a wrong unit are read with a doubt; smaller: a doubt is a refusal.
const FARTHEST_M: f64 = 4e7;

impl Block {
    /// The unit named, else the only one in which the level falls as in a fibre.
    pub(super) fn distance_unit(&mut self, run: Run) -> Result<DistanceUnit, ParseError> {
        if self.plan.distance.is_none() {
            return Ok(DistanceUnit::Metre);
        }
        if let Some(unit) = self.plan.distance_unit {
            return Ok(unit);
        }
        let levels = self
            .samples
            .levels
            .first()
            .map(Vec::as_slice)
            .unwrap_or_default();
        let fall = fall_per_unit(&self.samples.distances, levels).map(|fall| Fall {
            per_unit: fall.per_unit.abs(),
            ..fall
        });
        let titled = self
            .plan
            .levels
            .first()
            .and_then(|level| level.wavelength_nm);
        let wavelength = titled
            .map(Wavelength::from_nm)
            .or(self.settings.header.wavelength)
            .or(self.fallback.wavelength);
        if let (Some(fall), Some(wavelength)) = (fall, wavelength)
            && let [unit] = fitting_units(fall, wavelength).as_slice()
            && !unit.is_time()
        {
            let per_km = fall.per_unit * 1000.0 / unit.factor();
            self.warnings.push(Warning::new(
                "distance unit by evidence",
                format!(
                    "no unit of distance is named; read as {unit}, the only one in which the level \
                     falls as in a fibre, {per_km:.3} dB/km"
                ),
            ));
            return Ok(*unit);
        }
        let hint = match (fall, wavelength) {
            (Some(_), None) => {
                "; with the wavelength in the header the fall of the levels may decide".to_owned()
            }
            (Some(fall), Some(_)) => {
                format!(
                    "; the levels fall by {:.3e} dB for one unit, which does not tell it",
                    fall.per_unit
                )
            }
            (None, _) => String::new(),
        };
        Err(ParseErrorKind::DistanceUnitUnknown { hint }.at(self.column_place(run), "", 0))
    }

    /// Distances in metres, no farther than any fibre reaches.
    pub(super) fn distances_m(
        &mut self,
        text: &str,
        run: Run,
        unit: DistanceUnit,
    ) -> Result<Array1<f64>, ParseError> {
        let distances_m = self.any_distances_m(text, run, unit)?;
        let ends = [distances_m.first(), distances_m.last()];
        let found_m = ends
            .into_iter()
            .flatten()
            .fold(0.0_f64, |m, d| m.max(d.abs()));
        if found_m > FARTHEST_M {
            let kind = ParseErrorKind::DistanceTooFar { found_m };
            return Err(kind.at(self.column_place(run), "", 0));
        }
        if let [Some(first), Some(last)] = ends
            && distances_m.len() > 1
        {
            let found_m = (last - first) / (distances_m.len() - 1) as f64;
            if found_m < SPACING_M.min {
                let kind = ParseErrorKind::DistancesTooClose { found_m };
                return Err(kind.at(self.column_place(run), "", 0));
            }
        }
        Ok(distances_m)
    }

    fn any_distances_m(
        &mut self,
        text: &str,
        run: Run,
        unit: DistanceUnit,
    ) -> Result<Array1<f64>, ParseError> {
        if self.plan.distance.is_none() {
            let structure = &self.settings.structure;
            let (spacing, start) = (
                structure.spacing_m.unwrap_or(f64::NAN),
                structure.start_m.unwrap_or(f64::NAN),
            );
            return Ok((0..self.samples.len())
                .map(|i| start + i as f64 * spacing)
                .collect());
        }
        let factor = match (
            unit.is_time(),
            self.settings
                .header
                .group_index
                .or(self.fallback.group_index)
                .map(GroupIndex::ratio),
        ) {
            (false, _) => unit.factor(),
            // There and back: z = c·t/(2·n).
            (true, Some(index)) => unit.factor() * SPEED_OF_LIGHT_M_PER_S / (2.0 * index),
            (true, None) => {
                return Err(ParseErrorKind::TimeWithoutGroupIndex.at(
                    self.column_place(run),
                    "",
                    0,
                ));
            }
        };
        let steps = Steps::of(&self.samples.distances);
        if steps.is_some_and(|steps| steps.least <= 0.0)
            && let Some(repeat) = self.samples.first_repeat()
        {
            return self.regridded(text, run, factor, repeat);
        }
        let mut distances = std::mem::take(&mut self.samples.distances);
        if let Some(found) = steps.and_then(|steps| steps.first_break(&distances)) {
            let at = |index: usize| distances.get(index).copied().unwrap_or(f64::NAN) * factor;
            let line = nth_row(text, run, found.index);
            let kind = ParseErrorKind::SpacingBreaks {
                found_m: at(found.index),
                wanted_m: at(found.index.saturating_sub(1)) + found.step * factor,
                spacing_m: found.step * factor,
            };
            return Err(kind.at(line, "", 0));
        }
        let (step, off) = steps.map_or((0.0, 0.0), |steps| (steps.mean, steps.farthest_off));
        let printed = printed_unit(&distances);
        if off > 0.01 * step && printed > 0.1 * step && !unit.is_time() {
            self.warnings.push(Warning::new(
                "distances rounded",
                format!(
                    "distances are written to {} m and samples lie about {:.3} m apart; every position may be \
                     off by {:.3} m, export with more decimals",
                    printed * factor,
                    step * factor,
                    printed * factor / 2.0
                ),
            ));
        }
        // The ends of the grid are rounded, too.
        if off > 1.01 * printed {
            self.warnings.push(Warning::new(
                "uneven spacing",
                format!(
                    "distances stand up to {:.3} m off an even grid, more than their last digit explains",
                    off * factor
                ),
            ));
        }
        if !unit.is_time() && factor.to_bits() == 1_f64.to_bits() {
            return Ok(Array1::from_vec(distances));
        }
        for distance in &mut distances {
            *distance *= factor;
        }
        Ok(Array1::from_vec(distances))
    }

    /// Distances in metres of the columns of levels that have their own, where those
    /// differ from the first ones. A trace may end before the others.
    pub(super) fn own_distances_m(
        &mut self,
        text: &str,
        run: Run,
        unit: DistanceUnit,
    ) -> Result<Vec<Option<Array1<f64>>>, ParseError> {
        let mut lists = std::mem::take(&mut self.own).into_iter();
        let mut found = Vec::with_capacity(self.plan.own.len());
        for (level, own) in self.plan.own.clone().into_iter().enumerate() {
            let Some(mut list) = own.and_then(|_| lists.next()) else {
                found.push(None);
                continue;
            };
            let own_unit = own.and_then(|(_, unit)| unit).unwrap_or(unit);
            let bits = |list: &[f64]| list.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            if own_unit == unit && bits(&list) == bits(&self.samples.distances) {
                found.push(None);
                continue;
            }
            let filled = list
                .iter()
                .rposition(|v| !v.is_nan())
                .map_or(0, |at| at + 1);
            list.truncate(filled);
            let levels = self
                .samples
                .levels
                .get(level)
                .map(Vec::as_slice)
                .unwrap_or_default();
            let missing = list.iter().position(|v| v.is_nan()).or_else(|| {
                let after = levels.get(filled..).unwrap_or_default();
                after.iter().position(|v| !v.is_nan()).map(|at| filled + at)
            });
            if let Some(at) = missing.or((filled == 0).then_some(0)) {
                let kind = ParseErrorKind::NotANumber {
                    found: String::new(),
                    wanted: "distance",
                };
                return Err(kind.at(nth_row(text, run, at), "", 0));
            }
            let back = list
                .windows(2)
                .position(|pair| matches!(pair, [a, b] if b < a));
            if let Some(at) = back {
                let number = |at: usize| list.get(at).copied().unwrap_or(f64::NAN);
                let kind = ParseErrorKind::DistanceNotIncreasing {
                    found: number(at + 1).to_string(),
                    before: number(at),
                };
                return Err(kind.at(nth_row(text, run, at + 1), "", 0));
            }
            let first = std::mem::replace(&mut self.samples.distances, list);
            let own_m = self.distances_m(text, run, own_unit)?;
            self.samples.distances = first;
            found.push(Some(own_m));
        }
        Ok(found)
    }

    /// Distances that repeat, put on the grid that the header states.
    fn regridded(
        &mut self,
        text: &str,
        run: Run,
        factor: f64,
        repeat: usize,
    ) -> Result<Array1<f64>, ParseError> {
        let distances = &self.samples.distances;
        let structure = &self.settings.structure;
        let count = distances.len();
        let (by, step) = match structure.spacing_m {
            Some(spacing_m) => ("spacing", Some(spacing_m / factor)),
            None if structure.samples == Some(count) => ("count of samples", self.samples.step()),
            None => ("", None),
        };
        let Some(grid) = step.and_then(|step| grid_under(distances, step)) else {
            let found = distances
                .get(repeat)
                .copied()
                .unwrap_or(f64::NAN)
                .to_string();
            return Err(ParseErrorKind::DistanceRepeats { found }.at(
                nth_row(text, run, repeat),
                "",
                0,
            ));
        };
        let (start_m, spacing_m) = (
            grid.start * factor,
            structure.spacing_m.unwrap_or(grid.step * factor),
        );
        self.warnings.push(Warning::new(
            "distances repeat",
            format!(
                "distances are written to {} m and repeat; the samples are put {spacing_m} m apart from {start_m} m \
                 on, as the {by} in the header has it, and every position may be off by {} m",
                printed_unit(distances) * factor,
                printed_unit(distances) * factor / 2.0
            ),
        ));
        Ok((0..count).map(|i| start_m + i as f64 * spacing_m).collect())
    }
}
