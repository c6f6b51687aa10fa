//! The plan of a cable: what is known of it before it is measured.

use serde::Deserialize;
use toml::Spanned;

use super::natural::same_name;
use super::pattern::NamePattern;
use super::splice_log::LogColumns;
use crate::read::line_and_column;

/// Most fibres of a cable, and most closures: far more than any has.
const MOST: usize = 10_000;
/// Farthest place in metres: ten times what an OTDR sees.
const FARTHEST_M: f64 = 3_000_000.0;

/// What is wrong with a plan, and where; lines and columns count from 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("line {line}, column {column}: {message}")]
pub struct PlanError {
    /// Line.
    pub line: usize,
    /// Column.
    pub column: usize,
    /// What was found and what was wanted.
    pub message: String,
}

/// What is known of a cable; everything may be missing.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CablePlan {
    /// Name of the cable.
    pub cable: Option<String>,
    /// Names of end A and end B.
    pub ends: Option<[String; 2]>,
    /// Number of fibres.
    pub fibres: Option<usize>,
    /// Names of the fibres in the order of tubes and colours; missing means that they
    /// are numbered from 1.
    pub fibre_names: Vec<String>,
    /// Fibres in a tube.
    pub fibres_per_tube: Option<usize>,
    /// Names of the tubes in their order.
    pub tubes: Vec<String>,
    /// Colours of the fibres of a tube in their order.
    pub colours: Vec<String>,
    /// Launch cord at A and at B in metres.
    pub cords_m: [Option<f64>; 2],
    /// Fibre from connector to connector in metres.
    pub length_m: Option<f64>,
    /// Chainage of end A and end B in metres.
    pub chainage_m: [Option<f64>; 2],
    /// Metres of fibre for a metre of cable.
    pub helix_factor: Option<f64>,
    /// Wavelengths that are wanted, in nanometres.
    pub wavelengths_nm: Vec<f64>,
    /// Folder of the traces, from the plan's own.
    pub traces: Option<String>,
    /// Pattern of the file names.
    pub file_names: Option<NamePattern>,
    /// Closures in the order of their chainage.
    pub closures: Vec<PlannedClosure>,
    /// Times of a visit, in seconds.
    pub visit: VisitTimes,
    /// The splicing machines' log.
    pub splice_log: Option<PlannedLog>,
}

/// Where the splicing machines' log lies and how it is laid out.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlannedLog {
    /// The file, from the plan's own folder.
    pub file: String,
    /// Titles of its columns, where they are not the usual ones.
    #[serde(default)]
    pub columns: LogColumns,
}

/// A closure of the plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedClosure {
    /// Its name.
    pub name: String,
    /// Its chainage in metres; missing means that only its order is known.
    pub chainage_m: Option<f64>,
}

/// Times of the steps of a visit in seconds; what is missing was not given.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct VisitTimes {
    /// Way to the closure and setting up.
    pub reaching_s: Option<f64>,
    /// Opening the closure.
    pub opening_s: Option<f64>,
    /// Stripping, cleaning and cleaving, for each joint.
    pub preparing_s: Option<f64>,
    /// One fusion.
    pub fusion_s: Option<f64>,
    /// One sleeve in the heater.
    pub sleeve_s: Option<f64>,
    /// Dressing the tray, for each joint.
    pub dressing_s: Option<f64>,
    /// Closing the closure.
    pub closing_s: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PlanText {
    cable: Option<String>,
    ends: Option<Spanned<Vec<String>>>,
    fibres: Option<Spanned<usize>>,
    #[serde(default)]
    fibre_names: Option<Spanned<Vec<String>>>,
    fibres_per_tube: Option<Spanned<usize>>,
    #[serde(default)]
    tubes: Vec<String>,
    #[serde(default)]
    colours: Vec<String>,
    #[serde(default)]
    cords: CordsText,
    length_m: Option<Spanned<f64>>,
    chainage_a_m: Option<Spanned<f64>>,
    chainage_b_m: Option<Spanned<f64>>,
    helix_factor: Option<Spanned<f64>>,
    #[serde(default)]
    wavelengths_nm: Vec<Spanned<f64>>,
    traces: Option<String>,
    file_names: Option<Spanned<String>>,
    #[serde(default)]
    closures: Vec<ClosureText>,
    visit: Option<Spanned<VisitTimes>>,
    splice_log: Option<PlannedLog>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct CordsText {
    a_m: Option<Spanned<f64>>,
    b_m: Option<Spanned<f64>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ClosureText {
    name: Spanned<String>,
    chainage_m: Option<Spanned<f64>>,
}

/// Reads a plan, keeping the text to say where a fault is.
struct Checker<'t>(&'t str);

impl Checker<'_> {
    fn at(&self, offset: usize, message: impl Into<String>) -> PlanError {
        let (line, column) = line_and_column(self.0, offset);
        PlanError {
            line,
            column,
            message: message.into(),
        }
    }

    fn number(
        &self,
        value: Option<&Spanned<f64>>,
        (min, max): (f64, f64),
        what: &str,
    ) -> Result<Option<f64>, PlanError> {
        let Some(value) = value else { return Ok(None) };
        let found = *value.get_ref();
        if (min..=max).contains(&found) {
            Ok(Some(found))
        } else {
            Err(self.at(
                value.span().start,
                format!("{found} found; wanted {what} from {min} to {max}"),
            ))
        }
    }

    fn count(
        &self,
        value: Option<&Spanned<usize>>,
        what: &str,
    ) -> Result<Option<usize>, PlanError> {
        let Some(value) = value else { return Ok(None) };
        let found = *value.get_ref();
        if (1..=MOST).contains(&found) {
            Ok(Some(found))
        } else {
            Err(self.at(
                value.span().start,
                format!("{found} found; wanted a number of {what} from 1 to {MOST}"),
            ))
        }
    }
}

impl CablePlan {
    /// Reads a plan from TOML.
    ///
    /// # Errors
    /// [`PlanError`] with line and column.
    ///
    /// # Example
    /// ```
    /// use bothends::cable::CablePlan;
    /// let plan = CablePlan::from_toml(
    ///     "cable = \"HL-204\"\nends = [\"Harrow Lane\", \"Mill Bridge\"]\n\
    ///      [[closures]]\nname = \"closure 1\"\nchainage_m = 4600\n",
    /// ).unwrap();
    /// assert_eq!(plan.closures[0].chainage_m, Some(4600.0));
    /// let error = CablePlan::from_toml("helix_factor = 0.9\n").unwrap_err();
    /// assert_eq!((error.line, error.column), (1, 16));
    /// ```
    pub fn from_toml(text: &str) -> Result<Self, PlanError> {
        let check = Checker(text);
        let raw: PlanText = toml::from_str(text).map_err(|error| {
            check.at(error.span().map_or(0, |span| span.start), error.message())
        })?;
        let places = (0.0, FARTHEST_M);
        let ends = match &raw.ends {
            None => None,
            Some(ends) => Some(two_ends(&check, ends)?),
        };
        let fibres = check.count(raw.fibres.as_ref(), "fibres")?;
        let fibres_per_tube = check.count(raw.fibres_per_tube.as_ref(), "fibres in a tube")?;
        let fibre_names = match &raw.fibre_names {
            None => Vec::new(),
            Some(names) => named_fibres(&check, names, fibres)?,
        };
        let mut wavelengths_nm = Vec::new();
        for nm in &raw.wavelengths_nm {
            wavelengths_nm.extend(check.number(Some(nm), (600.0, 2000.0), "a wavelength in nm")?);
        }
        let file_names = match &raw.file_names {
            None => None,
            Some(pattern) => Some(NamePattern::new(pattern.get_ref()).map_err(|error| {
                check.at(pattern.span().start, format!("in this pattern, {error}"))
            })?),
        };
        let mut closures: Vec<PlannedClosure> = Vec::new();
        for closure in &raw.closures {
            let name = closure.name.get_ref().trim();
            let fault = if name.is_empty() {
                Some("a closure without a name".to_owned())
            } else if closures.iter().any(|other| same_name(&other.name, name)) {
                Some(format!("a second closure is called {name:?}"))
            } else {
                None
            };
            if let Some(message) = fault {
                return Err(check.at(closure.name.span().start, message));
            }
            let chainage_m =
                check.number(closure.chainage_m.as_ref(), places, "a chainage in metres")?;
            let before = closures.iter().filter_map(|c| c.chainage_m).next_back();
            if let (Some(found), Some(before), Some(span)) =
                (chainage_m, before, closure.chainage_m.as_ref())
                && found <= before
            {
                return Err(check.at(
                    span.span().start,
                    format!("{found} found; closures stand in the order of their chainage, and the one before is at {before}"),
                ));
            }
            closures.push(PlannedClosure {
                name: name.to_owned(),
                chainage_m,
            });
        }
        let chainage_m = [
            check.number(raw.chainage_a_m.as_ref(), places, "a chainage in metres")?,
            check.number(raw.chainage_b_m.as_ref(), places, "a chainage in metres")?,
        ];
        route_in_order(&check, &raw, chainage_m)?;
        let visit = match &raw.visit {
            None => VisitTimes::default(),
            Some(visit) => {
                let times = *visit.get_ref();
                if times
                    .all()
                    .iter()
                    .flatten()
                    .all(|s| (0.0..=1e6).contains(s))
                {
                    times
                } else {
                    return Err(check.at(
                        visit.span().start,
                        "a time of the visit is out of range; wanted seconds from 0 to 1000000",
                    ));
                }
            }
        };
        Ok(Self {
            cable: raw.cable,
            ends,
            fibres,
            fibre_names,
            fibres_per_tube,
            tubes: raw.tubes,
            colours: raw.colours,
            cords_m: [
                check.number(raw.cords.a_m.as_ref(), (0.0, 1e5), "a cord in metres")?,
                check.number(raw.cords.b_m.as_ref(), (0.0, 1e5), "a cord in metres")?,
            ],
            length_m: check.number(
                raw.length_m.as_ref(),
                (1.0, FARTHEST_M),
                "a length in metres",
            )?,
            chainage_m,
            helix_factor: check.number(raw.helix_factor.as_ref(), (1.0, 1.2), "a helix factor")?,
            wavelengths_nm,
            traces: raw.traces,
            file_names,
            closures,
            visit,
            splice_log: raw.splice_log,
        })
    }

    /// Index of a fibre in the order of tubes and colours; none where its name tells none.
    pub fn fibre_index(&self, name: &str) -> Option<usize> {
        if !self.fibre_names.is_empty() {
            return self.fibre_names.iter().position(|n| same_name(n, name));
        }
        let digits: Vec<char> = name
            .trim()
            .chars()
            .rev()
            .take_while(char::is_ascii_digit)
            .collect();
        let number: usize = digits.iter().rev().collect::<String>().parse().ok()?;
        number.checked_sub(1)
    }

    /// How many fibres the plan has, where it tells.
    pub fn fibres_planned(&self) -> Option<usize> {
        let named = (!self.fibre_names.is_empty()).then_some(self.fibre_names.len());
        self.fibres.or(named)
    }

    /// Tube and colour of a fibre, where the plan tells.
    pub fn tube_and_colour(&self, name: &str) -> (Option<String>, Option<String>) {
        let Some(index) = self.fibre_index(name) else {
            return (None, None);
        };
        let in_tube = self
            .fibres_per_tube
            .or_else(|| (!self.colours.is_empty()).then_some(self.colours.len()));
        let Some(in_tube) = in_tube else {
            return (None, None);
        };
        let tube = index / in_tube;
        let tube_name = match self.tubes.get(tube) {
            Some(name) => Some(name.clone()),
            None => Some(format!("tube {}", tube + 1)),
        };
        (tube_name, self.colours.get(index % in_tube).cloned())
    }
}

impl VisitTimes {
    fn all(&self) -> [Option<f64>; 7] {
        [
            self.reaching_s,
            self.opening_s,
            self.preparing_s,
            self.fusion_s,
            self.sleeve_s,
            self.dressing_s,
            self.closing_s,
        ]
    }
}

/// That the closures and end B lie behind end A, and B behind the closures; without a chainage of
/// A the route begins at 0.
fn route_in_order(
    check: &Checker<'_>,
    raw: &PlanText,
    [a_m, b_m]: [Option<f64>; 2],
) -> Result<(), PlanError> {
    let start_m = a_m.unwrap_or(0.0);
    if let (Some(b_m), Some(span)) = (b_m, &raw.chainage_b_m)
        && b_m <= start_m
    {
        return Err(check.at(
            span.span().start,
            format!("{b_m} found; end B lies behind end A, which is at {start_m}"),
        ));
    }
    for closure in &raw.closures {
        let Some(chainage) = &closure.chainage_m else {
            continue;
        };
        let found = *chainage.get_ref();
        let amiss = if a_m.is_some_and(|a_m| found < a_m) {
            Some(format!("not before end A, which is at {start_m}"))
        } else {
            b_m.filter(|b_m| found > *b_m)
                .map(|b_m| format!("not behind end B, which is at {b_m}"))
        };
        if let Some(wanted) = amiss {
            let message = format!("{found} found; a closure lies {wanted}");
            return Err(check.at(chainage.span().start, message));
        }
    }
    Ok(())
}

fn two_ends(check: &Checker<'_>, ends: &Spanned<Vec<String>>) -> Result<[String; 2], PlanError> {
    match ends.get_ref().as_slice() {
        [a, b] if !same_name(a, b) && !a.trim().is_empty() && !b.trim().is_empty() => {
            Ok([a.trim().to_owned(), b.trim().to_owned()])
        }
        found => Err(check.at(
            ends.span().start,
            format!("{found:?} found; wanted the names of two different ends, A first"),
        )),
    }
}

fn named_fibres(
    check: &Checker<'_>,
    names: &Spanned<Vec<String>>,
    fibres: Option<usize>,
) -> Result<Vec<String>, PlanError> {
    let found = names.get_ref();
    if let Some(fibres) = fibres
        && fibres != found.len()
    {
        let message = format!("{} names found for {fibres} fibres", found.len());
        return Err(check.at(names.span().start, message));
    }
    for (index, name) in found.iter().enumerate() {
        if found.iter().take(index).any(|other| same_name(other, name)) {
            return Err(check.at(
                names.span().start,
                format!("two fibres are called {name:?}"),
            ));
        }
    }
    Ok(found.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tube_and_colour_follow_from_the_number() {
        let plan = CablePlan::from_toml(
            "fibres = 24\ntubes = [\"red\", \"green\"]\ncolours = [\"blue\", \"white\", \"grey\"]\n",
        )
        .unwrap();
        // Three colours to a tube: fibre 5 is the second of the second tube.
        assert_eq!(
            plan.tube_and_colour("HL-005"),
            (Some("green".to_owned()), Some("white".to_owned()))
        );
        assert_eq!(plan.tube_and_colour("A"), (None, None));
    }

    #[test]
    fn a_fault_has_its_line_and_column() {
        let fault = |text: &str| CablePlan::from_toml(text).unwrap_err().to_string();
        assert!(fault("cable = \"x\"\nends = [\"A\"]\n").starts_with("line 2, column 8: "));
        assert!(fault("fibres = 0\n").starts_with("line 1, column 10: 0 found"));
        assert!(fault("file_names = \"{x}\"\n").contains("{x} is not known"));
        assert!(fault("colour = 1\n").starts_with("line 1, column 1: unknown field"));
        let text =
            "[[closures]]\nname=\"1\"\nchainage_m = 5\n[[closures]]\nname=\"2\"\nchainage_m = 4\n";
        assert!(fault(text).starts_with("line 6, column 14: 4 found"));
    }
}
