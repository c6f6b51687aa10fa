//! What makes the numbers of a block doubtful: their slope and their grid.

use ndarray::Array1;

use crate::trace::Header;
use crate::units::Wavelength;
use crate::warning::Warning;

use super::interpret::Block;
use super::trend::{attenuation_bounds, fall_per_unit, outside};

/// Twice the range of the strongest pulse: 45 dB one way at 0.16 dB/km are 280 km.
const LONGEST_M: f64 = 560e3;

/// Wavelengths that fibre is measured at, in nanometres: the bands O to U of ITU-T
/// G-series Supplement 39 and that of multimode fibre at 850 nm, both from memory. Wider:
/// a mistyped wavelength passes without a word; narrower: a doubt about a good one.
const BANDS_NM: [(f64, f64); 2] = [(800.0, 900.0), (1260.0, 1675.0)];

impl Block {
    /// Says where no fibre is measured at the wavelength.
    pub(super) fn doubt_wavelength(&mut self, header: &Header) {
        let Some(nm) = header.wavelength.map(Wavelength::nm) else {
            return;
        };
        if BANDS_NM
            .iter()
            .all(|(from, to)| !(*from..=*to).contains(&nm))
        {
            self.warnings.push(Warning::new(
                "wavelength out of band",
                format!(
                    "{nm} nm lies in no band that fibre is measured in, 800 to 900 nm and 1260 to 1675 nm; check the \
                     wavelength"
                ),
            ));
        }
    }

    /// Says where the fall of the level is not that of a fibre.
    pub(super) fn doubt_attenuation(
        &mut self,
        header: &Header,
        distances_m: &Array1<f64>,
        levels_db: &[f64],
        column: usize,
    ) {
        let (Some(wavelength), Some(distances)) = (header.wavelength, distances_m.as_slice())
        else {
            return;
        };
        let Some(fall) = fall_per_unit(distances, levels_db) else {
            return;
        };
        let bounds = attenuation_bounds(wavelength);
        let per_km = fall.times(1000.0);
        // Four errors beyond the bounds: a doubt must be worth reading.
        if outside(per_km, (0.8 * bounds.0, bounds.1), 4.0) {
            self.warnings.push(Warning::new(
                "attenuation doubtful",
                format!(
                    "column {}: the quietest stretches fall by {:.3} dB/km, and a fibre at {} nm by \
                     {:.2} to {:.2}; check the unit of distance, and that the levels are one-way decibels",
                    column + 1,
                    per_km.per_unit,
                    wavelength.nm(),
                    bounds.0,
                    bounds.1,
                ),
            ));
        }
    }

    /// Says where the samples are too few to show the pulse, or the fibre too long.
    pub(super) fn doubt_spacing(&mut self, distances_m: &Array1<f64>) {
        if let (Some(first), Some(last)) = (distances_m.first(), distances_m.last())
            && last - first > LONGEST_M
        {
            self.warnings.push(Warning::new(
                "length doubtful",
                format!(
                    "the samples span {:.0} km, and no pulse is seen over so long a fibre; check the unit of distance",
                    (last - first) / 1000.0
                ),
            ));
        }
        let header = &self.settings.header;
        let (Some(pulse), Some(index)) = (header.pulse_width, header.group_index) else {
            return;
        };
        let (Some(first), Some(last)) = (distances_m.first(), distances_m.last()) else {
            return;
        };
        let spacing_m = (last - first) / (distances_m.len() as f64 - 1.0).max(1.0);
        let pulse_m = pulse.footprint(index).m();
        if spacing_m > pulse_m {
            self.warnings.push(Warning::new(
                "spacing wider than pulse",
                format!(
                    "samples lie {spacing_m:.2} m apart and the pulse is {pulse_m:.2} m long; check the unit \
                     of distance and the pulse width, or else measure with a shorter range or closer samples"
                ),
            ));
        }
    }
}
