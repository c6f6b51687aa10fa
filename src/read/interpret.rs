//! Gives a block's numbers their meaning: units, signs, the grid, and doubts.

use ndarray::Array1;

use crate::trace::{Header, range};
use crate::units::Wavelength;
use crate::warning::Warning;

use super::block::Run;
use super::columns::{LevelColumn, Plan, plan};
use super::content::{Given, Inherited};
use super::decode::Encoding;
use super::error::{ParseError, ParseErrorKind};
use super::evidence::Form;
use super::layout::{Column, Holds, Layout};
use super::linear::may_be_linear;
use super::lines::{Line, lines_from};
use super::lists::spread;
use super::number::DecimalMark;
use super::samples::{Samples, Wanted, read as read_samples};
use super::settings::{Context, Rows, Settings, direction_by_names, names_an_end};
use super::tail::last_sample_is_cut;
use super::title_row::{TitleRow, take_titles};
use super::titles::{Direction, LevelUnit};
use super::trend::{Sense, fall_per_unit, sense};
use super::words::Known;
use super::{FileContent, ReadTrace};

mod distances;

/// A block on its way to traces.
pub(super) struct Block {
    pub(super) titles: Option<TitleRow>,
    pub(super) settings: Settings,
    pub(super) plan: Plan,
    pub(super) samples: Samples,
    /// Distances that hold for one column of levels, as `plan.own` has them.
    own: Vec<Vec<f64>>,
    pub(super) warnings: Vec<Warning>,
    from_recipe: Vec<(String, String)>,
    /// Settings for what the file lacks; they decide units and are not kept.
    fallback: Header,
}

impl Block {
    /// Reads the lines before the samples and the samples.
    pub(super) fn read(
        text: &str,
        before: &mut Vec<Line<'_>>,
        run: Run,
        form: &Form,
        first_row: Line<'_>,
        (inherited, given): (&Inherited, Given<'_>),
    ) -> Result<Self, ParseError> {
        let vocabulary = &given.recipe.vocabulary;
        let titles = take_titles(before, form.dialect.separator, form.columns, vocabulary);
        let context = Context {
            separator: form.dialect.separator,
            vocabulary,
            decimal: decimal_shown(form, text.get(run.start..).unwrap_or_default()),
        };
        let mut settings = Settings::default();
        settings.take_all(before, context)?;
        settings.finish();
        let own: Vec<Known> = settings.lists.iter().map(|list| list.known).collect();
        let inherited_lists = inherited.lists.iter();
        let inherited_lists = inherited_lists.filter(|list| !own.contains(&list.known));
        settings.lists.extend(inherited_lists.cloned());
        let structure = &mut settings.structure;
        structure.distance_unit = structure.distance_unit.or(inherited.distance_unit);
        structure.level_unit = structure.level_unit.or(inherited.level_unit);
        structure.spacing_m = structure.spacing_m.or(inherited.spacing_m);
        structure.start_m = structure.start_m.or(inherited.start_m);
        let mut stated = settings.clone();
        stated.fill(given.recipe);
        let plan = plan(
            form,
            titles.as_ref(),
            &stated.structure,
            given.recipe,
            first_row,
        )?;
        let wanted: Wanted = plan.wanted(form.columns);
        let limits = given.recipe.limits;
        let mut samples = read_samples(text, run.start, run.line, form.dialect, &wanted, limits)?;
        if samples.len() == 0 {
            // The first row itself does not fit what the columns were taken for.
            let error = samples.stopped.map(|misfit| misfit.error);
            return Err(error.unwrap_or_else(|| ParseErrorKind::NoSamples.of_file()));
        }
        let own = samples.levels.split_off(plan.levels.len());
        let held: Vec<(usize, String)> = plan
            .settings
            .iter()
            .filter_map(|&column| Some((column, titles.as_ref()?.texts.get(column)?.clone())))
            .collect();
        let rows = Rows {
            text,
            start: run.start,
            line: run.line,
            end: samples.end,
        };
        settings.take_columns(rows, &held, context)?;
        let from_recipe = settings.fill(given.recipe);
        settings.header = std::mem::take(&mut settings.header).or(&inherited.header);
        let mut warnings = std::mem::take(&mut settings.warnings);
        if let Some(doubt) = &form.doubt {
            warnings.push(Warning::new(
                "number form by evidence",
                format!("the rows could be read in two ways; this one was taken because {doubt}"),
            ));
        }
        Ok(Self {
            titles,
            settings,
            plan,
            samples,
            own,
            warnings,
            from_recipe,
            fallback: given.fallback.clone(),
        })
    }

    /// Line of the titles.
    pub(super) fn title_line(&self) -> Option<usize> {
        self.titles.as_ref().map(|titles| titles.line)
    }

    /// Leaves out a last line that was not written to its end.
    pub(super) fn cut_line(&mut self, text: &str) {
        self.warnings.push(Warning::new(
            "last line cut",
            format!(
                "line {} ends in the middle of a row and is left out",
                self.samples.end_line
            ),
        ));
        self.samples.end = text.len();
        self.samples.stopped = None;
    }

    /// Leaves out a last sample whose digits end early.
    pub(super) fn cut_sample(&mut self, text: &str) {
        if self.samples.end < text.len() || self.samples.len() < 2 || !last_sample_is_cut(text) {
            return;
        }
        self.samples.distances.pop();
        for list in self.samples.levels.iter_mut().chain(&mut self.own) {
            list.pop();
        }
        self.warnings.push(Warning::new(
            "last line cut",
            format!(
                "line {} has no line end and fewer decimals than the rows before it; it is left out",
                self.samples.last_line
            ),
        ));
    }

    /// Turns units and signs, checks the grid, and sets the traces up.
    pub(super) fn finish(
        mut self,
        text: &str,
        run: Run,
        form: &Form,
        encoding: Encoding,
    ) -> Result<FileContent, ParseError> {
        let count = self.samples.len();
        if let Some(stated) = self
            .settings
            .structure
            .samples
            .filter(|stated| *stated != count)
        {
            self.warnings.push(Warning::new(
                "sample count differs",
                format!("the header says {stated} samples and the file holds {count}"),
            ));
        }
        let unit = self.distance_unit(run)?;
        let own = self.own_distances_m(text, run, unit)?;
        let distances_m = self.distances_m(text, run, unit)?;
        self.doubt_spacing(&distances_m);
        let levels = std::mem::take(&mut self.samples.levels);
        let mut columns = std::mem::take(&mut self.plan.levels);
        let (mut foreign, mut one_sided) = (Vec::new(), Vec::new());
        let titles: Vec<String> = columns
            .iter()
            .filter_map(|column| self.title(column.column))
            .collect();
        for column in columns.iter_mut().filter(|c| c.direction.is_none()) {
            let title = self.title(column.column).unwrap_or_default();
            let header = &self.settings.header;
            column.direction = direction_by_names(&title, header, &titles);
            let arrow = title.contains('→')
                || title.contains("->")
                || titles.len() > 1 && names_an_end(&title, header);
            // A name that is missing is not that of a letter.
            if column.direction.is_some() && header.from.is_some() != header.to.is_some() {
                one_sided.push(column.column);
            }
            if arrow && column.direction.is_none() && header.from.is_some() {
                self.warnings.push(Warning::new(
                    "direction not understood",
                    format!(
                        "column {title:?} names ends of the fibre, and its direction is not understood; it is \
                         left open"
                    ),
                ));
                foreign.push(column.column);
            }
        }
        let mut traces = Vec::with_capacity(levels.len());
        let mut held = Vec::with_capacity(levels.len());
        let titled_nm: Vec<_> = columns.iter().map(|column| column.wavelength_nm).collect();
        let mut headers: Vec<Header> = columns
            .iter()
            .map(|column| {
                let mut header = header_of(&self.settings.header, column);
                if one_sided.contains(&column.column) {
                    let (from, to) = (&self.settings.header.from, &self.settings.header.to);
                    (header.from, header.to) = match column.direction {
                        Some(Direction::BToA) => (to.clone(), from.clone()),
                        _ => (from.clone(), to.clone()),
                    };
                }
                if foreign.contains(&column.column) {
                    (header.from, header.to) = (None, None);
                }
                header
            })
            .collect();
        spread(&self.settings.lists, &titled_nm, &mut headers)?;
        let last = columns.len().saturating_sub(1);
        let any = levels.iter().flatten().any(|v| v.is_finite());
        let mut distances_m = distances_m;
        for (nth, ((column, mut levels), header)) in
            columns.iter().zip(levels).zip(headers).enumerate()
        {
            let title = self.title(column.column);
            let distances_m = match own.get(nth).and_then(Option::as_ref) {
                Some(own) => {
                    levels.truncate(own.len());
                    own.clone()
                }
                // The last trace takes the distances; a copy is the largest part of a long file's time.
                None if nth == last => std::mem::take(&mut distances_m),
                None => distances_m.clone(),
            };
            // Beside a trace, a column without levels is one that was not measured.
            let blank = any && levels.iter().all(|v| !v.is_finite());
            if blank {
                let named = title.map_or_else(
                    || format!("column {}", column.column + 1),
                    |title| format!("column {title:?}"),
                );
                self.warnings.push(Warning::new(
                    "column without levels",
                    format!("{named} holds no level in any row and is left out"),
                ));
                continue;
            }
            let (levels_db, holds) =
                self.levels_db(column, levels, (&header, &distances_m), run)?;
            self.doubt_wavelength(&header);
            self.doubt_attenuation(&header, &distances_m, &levels_db, column.column);
            held.push((column.column, holds));
            traces.push(ReadTrace {
                header,
                distances_m,
                levels_db: Array1::from_vec(levels_db),
                title,
                first_line: run.line,
                last_line: self.samples.last_line,
            });
        }
        if traces.len() > 1 && self.titles.is_none() {
            self.warnings.push(Warning::new(
                "several level columns",
                format!(
                    "{} columns of levels without titles are read as that many traces",
                    traces.len()
                ),
            ));
        }
        let columns = (0..form.columns)
            .map(|column| Column {
                title: self.title(column),
                holds: match held.iter().find(|(at, _)| *at == column) {
                    Some((_, holds)) => *holds,
                    None if self.plan.distance == Some(column) => Holds::Distance { unit },
                    None => Holds::Unused,
                },
            })
            .collect();
        Ok(FileContent {
            traces,
            layout: Layout {
                encoding,
                dialect: form.dialect,
                title_line: self.titles.map(|titles| titles.line),
                columns,
                first_line: run.line,
                last_line: self.samples.last_line,
                settings: self.settings.entries,
                from_recipe: self.from_recipe,
                notes: self.settings.notes,
                further_blocks: Vec::new(),
            },
            warnings: self.warnings,
            sha256: None,
        })
    }

    fn title(&self, column: usize) -> Option<String> {
        self.titles
            .as_ref()
            .and_then(|titles| titles.texts.get(column).cloned())
    }

    /// Line to point at for a fault of a whole column.
    fn column_place(&self, run: Run) -> usize {
        self.titles.as_ref().map_or(run.line, |titles| titles.line)
    }

    /// Levels in decibels that fall along the fibre.
    fn levels_db(
        &mut self,
        column: &LevelColumn,
        mut levels: Vec<f64>,
        (header, distances_m): (&Header, &Array1<f64>),
        run: Run,
    ) -> Result<(Vec<f64>, Holds), ParseError> {
        let unit = column.unit.unwrap_or(LevelUnit::Decibel);
        if unit != LevelUnit::Decibel {
            for level in &mut levels {
                *level /= unit.per_db();
            }
        }
        let named = self.title(column.column).map_or_else(
            || format!("column {}", column.column + 1),
            |title| format!("column {title:?}"),
        );
        let (low, high) = range(&levels);
        if high - low > WIDEST_TRACE_DB || high.max(-low) > WIDEST_TRACE_DB {
            let found = format!("numbers from {} to {}", short(low), short(high));
            return Err(ParseErrorKind::LinearLevels { found }.at(self.column_place(run), "", 0));
        }
        if column.unit.is_none() {
            let linear = distances_m
                .as_slice()
                .is_some_and(|distances| may_be_linear(distances, &levels));
            if linear {
                let kind = ParseErrorKind::MayBeLinear { low, high };
                return Err(kind.at(self.column_place(run), "", 0));
            }
            self.warnings.push(Warning::new(
                "level unit assumed",
                format!("{named} names no unit; its numbers are taken as one-way decibels"),
            ));
        }
        if low >= high && low.is_finite() && levels.len() >= 24 {
            self.warnings.push(Warning::new(
                "constant levels",
                format!("all levels of {named} are {low}; is it the column of the trace?"),
            ));
        }
        let blanks = levels.iter().filter(|v| !v.is_finite()).count();
        if blanks == levels.len() {
            let kind = ParseErrorKind::NoLevels {
                column: named,
                rows: blanks,
            };
            return Err(kind.at(self.column_place(run), "", 0));
        }
        if blanks > 0 {
            self.warnings.push(Warning::new(
                "blank levels",
                format!(
                    "{blanks} of {} samples of {named} hold no level",
                    levels.len()
                ),
            ));
        }
        let slope = || fall_per_unit(distances_m.as_slice()?, &levels);
        let wavelength = header.wavelength.or(self.fallback.wavelength);
        let turned = match sense(&levels, column.titled, column.titled_loss)
            .or_by_slope(&levels, slope, wavelength)
        {
            Sense::Falls => false,
            Sense::Unclear => {
                // Ten samples show nothing, and are no trace.
                if !column.titled && levels.len() >= 24 {
                    self.warnings.push(Warning::new(
                        "level direction assumed",
                        format!(
                            "{named} has no title and hardly changes along the fibre; its numbers are taken as \
                             levels, not loss"
                        ),
                    ));
                }
                false
            }
            Sense::FallsAgainstTitle { drop_db } => {
                self.warnings.push(Warning::new(
                    "level direction",
                    format!(
                        "{named} is titled as loss, but its numbers fall by {drop_db:.1} dB along the fibre; \
                         read as levels"
                    ),
                ));
                false
            }
            Sense::TitledLoss => {
                self.warnings.push(Warning::new(
                    "level direction",
                    format!("{named} is titled as loss; its sign is turned, so that it falls along the fibre"),
                ));
                true
            }
            Sense::Rises { rise_db } => {
                self.warnings.push(Warning::new(
                    "level direction",
                    format!(
                        "{named} rises by {rise_db:.1} dB along the fibre and is taken as loss; its sign is turned"
                    ),
                ));
                true
            }
            Sense::RisesBelowZero { rise_db } => {
                return Err(ParseErrorKind::LevelsRise { rise_db }.at(
                    self.column_place(run),
                    "",
                    0,
                ));
            }
        };
        if turned {
            for level in &mut levels {
                *level = -*level;
            }
        }
        let holds = Holds::Level {
            unit,
            turned,
            wavelength: column.wavelength_nm.map(Wavelength::from_nm),
            direction: column.direction,
        };
        Ok((levels, holds))
    }
}

/// No trace spans more, in decibels, or lies farther from the zero of its scale; other
/// numbers are a linear scale.
const WIDEST_TRACE_DB: f64 = 300.0;

/// A number for a message; one of many digits with its exponent.
fn short(number: f64) -> String {
    if number.abs() < 1e9 {
        number.to_string()
    } else {
        format!("{number:e}")
    }
}

/// The decimal mark that the samples show, if any of them has decimals.
fn decimal_shown(form: &Form, samples: &str) -> Option<DecimalMark> {
    let numbers = form.dialect.numbers;
    let mark = numbers.decimal.char();
    let first = lines_from(samples, 0, 1).find(|line| !line.text.trim().is_empty())?;
    let shown = form.rows.iter().flatten().any(|v| v.fract() != 0.0)
        || first.text.contains(mark) && form.dialect.separator.char() != Some(mark);
    shown.then_some(numbers.decimal)
}

/// The file's settings as they hold for one column.
fn header_of(header: &Header, column: &LevelColumn) -> Header {
    let mut header = header.clone();
    if let Some(nm) = column.wavelength_nm {
        header.wavelength = Some(Wavelength::from_nm(nm));
    }
    match column.direction {
        Some(Direction::BToA) => {
            let (from, to) = (header.from.take(), header.to.take());
            header.from = to.or_else(|| Some("B".to_owned()));
            header.to = from.or_else(|| Some("A".to_owned()));
            std::mem::swap(&mut header.launch_cord, &mut header.tail_cord);
        }
        Some(Direction::AToB) => {
            header.from.get_or_insert_with(|| "A".to_owned());
            header.to.get_or_insert_with(|| "B".to_owned());
        }
        None => {}
    }
    header
}

/// Line of a sample, counted from 1.
fn nth_row(text: &str, run: Run, index: usize) -> usize {
    lines_from(text, run.start, run.line)
        .filter(|line| !line.text.trim().is_empty())
        .nth(index)
        .map_or(run.line, |line| line.number)
}
