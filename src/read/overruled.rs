//! Settings given beside a file that the file itself overrules.

use crate::trace::Header;
use crate::units::{BackscatterCoefficient, GroupIndex, Length, PulseWidth, Wavelength};
use crate::warning::Warning;

use super::ReadTrace;

/// A setting that an option can give: its name, its unit, and how a header holds it.
type Given = (&'static str, &'static str, fn(&Header) -> Option<f64>);

const SETTINGS: [Given; 6] = [
    ("wavelength", " nm", |h| h.wavelength.map(Wavelength::nm)),
    ("pulse width", " ns", |h| h.pulse_width.map(PulseWidth::ns)),
    ("group index", "", |h| h.group_index.map(GroupIndex::ratio)),
    ("backscatter coefficient", " dB", |h| {
        h.backscatter.map(BackscatterCoefficient::db)
    }),
    ("launch cord", " m", |h| h.launch_cord.map(Length::m)),
    ("tail cord", " m", |h| h.tail_cord.map(Length::m)),
];

/// A warning for each setting of `fallback` that a trace has otherwise: what
/// stands in the file counts, and whoever gave the other value must know.
pub(crate) fn overruled(traces: &[ReadTrace], fallback: &Header) -> Vec<Warning> {
    SETTINGS
        .into_iter()
        .filter_map(|(name, unit, of)| {
            let given = of(fallback)?;
            let found = traces
                .iter()
                .filter_map(|trace| of(&trace.header))
                .find(|found| found.to_bits() != given.to_bits())?;
            Some(Warning::new(
                "setting overruled",
                format!(
                    "the file says {name} {found}{unit}, and {given}{unit} was given beside it; the file's value \
                     is used, so correct the file if it is wrong"
                ),
            ))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::from_bytes_with;
    use super::*;

    #[test]
    fn a_value_that_the_file_overrules_is_named_with_the_files_own() {
        let text = b"# pulse width: 100 ns\n# wavelength: 1550 nm\ndistance_m,level_db\n0,-12.3\n0.5,-12.4\n";
        let given = Header {
            pulse_width: Some(PulseWidth::from_ns(30.0)),
            wavelength: Some(Wavelength::from_nm(1550.0)),
            group_index: Some(GroupIndex::from_ratio(1.468)),
            ..Header::default()
        };
        let content = from_bytes_with(text, &given).unwrap();
        assert_eq!(
            content.warnings,
            [Warning::new(
                "setting overruled",
                "the file says pulse width 100 ns, and 30 ns was given beside it; the file's value is used, \
                 so correct the file if it is wrong"
            )]
        );
    }
}
