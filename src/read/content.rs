//! From text to traces: the steps in order.

use ndarray::Array1;

use crate::trace::Header;
use crate::units::{GroupIndex, SPEED_OF_LIGHT_M_PER_S, Wavelength};
use crate::warning::Warning;

use super::block::{PLENTY, Run, find_run, looks_numeric, specimens};
use super::columns::{LevelColumn, Plan, TitleRow, plan, take_titles};
use super::decode::Encoding;
use super::error::{ParseError, ParseErrorKind};
use super::evidence::{Form, decide};
use super::grid::{farthest_off, first_break, printed_unit};
use super::layout::{Column, Holds, Layout};
use super::lines::{Line, lines_from};
use super::number::DecimalMark;
use super::samples::{Samples, Wanted, read as read_samples};
use super::settings::{Context, Settings};
use super::tail::{Tail, broken_before, judge, last_sample_is_cut};
use super::titles::{Direction, DistanceUnit, LevelUnit};
use super::trend::{Trend, attenuation_bounds, fall_per_unit, fitting_units, trend};
use super::{FileContent, ReadTrace};

/// Rows that the form is first judged by: so many from the start, and from all over.
const SPECIMENS: (usize, usize) = (64, 64);
/// Rows that it is judged by when a row does not fit what the few showed.
const MANY_SPECIMENS: usize = 200_000;
/// Most lines before the samples.
const MOST_LINES_BEFORE: usize = 100_000;
/// Most blocks of samples in one file.
const MOST_BLOCKS: usize = 64;

/// Reads a decoded file.
pub(super) fn read(text: &str, encoding: Encoding) -> Result<FileContent, ParseError> {
    if text.trim().is_empty() {
        return Err(ParseErrorKind::Empty.of_file());
    }
    let mut run =
        find_run(text, 0, 1, PLENTY).ok_or_else(|| ParseErrorKind::NoSamples.of_file())?;
    let (mut content, mut end) = loop {
        match read_block(text, (0, 1), run, encoding, &Header::default())? {
            Read::Block(content, end) => break (*content, end),
            Read::Longer(longer) => run = longer,
        }
    };
    for _ in 1..MOST_BLOCKS {
        let Some(next) = find_run(text, end.0, end.1, PLENTY).filter(|run| run.rows >= PLENTY)
        else {
            break;
        };
        let inherited = content
            .traces
            .first()
            .map(|t| t.header.clone())
            .unwrap_or_default();
        match read_block(text, end, next, encoding, &inherited) {
            Ok(Read::Block(more, after)) => {
                content.traces.extend(more.traces);
                content.warnings.extend(more.warnings);
                content.layout.settings.extend(more.layout.settings);
                content.layout.notes.extend(more.layout.notes);
                end = after;
            }
            other => {
                let why = other
                    .err()
                    .map(|error| format!(": {error}"))
                    .unwrap_or_default();
                content.warnings.push(Warning::new(
                    "rows not read",
                    format!(
                        "the rows of numbers from line {} on are not read as a trace{why}",
                        next.line
                    ),
                ));
                break;
            }
        }
    }
    take_notes(text, end, &mut content)?;
    if encoding == Encoding::Windows1252 {
        content.warnings.push(Warning::new(
            "encoding assumed",
            "the file is not UTF-8; its letters beyond ASCII are read as Windows-1252",
        ));
    }
    Ok(content)
}

/// Lines behind the last block.
fn take_notes(
    text: &str,
    end: (usize, usize),
    content: &mut FileContent,
) -> Result<(), ParseError> {
    let context = Context {
        separator: content.layout.dialect.separator,
        decimal: Some(content.layout.dialect.numbers.decimal),
    };
    let mut after = Settings::default();
    for line in lines_from(text, end.0, end.1) {
        after.take_after(line, context)?;
    }
    after.finish();
    content.layout.settings.extend(after.entries);
    content.layout.notes.extend(after.notes);
    content.warnings.extend(after.warnings);
    for trace in &mut content.traces {
        let mut header = std::mem::take(&mut trace.header).or(&after.header);
        header.other.extend(after.header.other.iter().cloned());
        trace.header = header;
    }
    Ok(())
}

enum Read {
    /// What was read, and where the text goes on.
    Block(Box<FileContent>, (usize, usize)),
    /// The rows were a table; the samples are these.
    Longer(Run),
}

/// Reads one block of samples and the lines before it, from `from` on.
fn read_block(
    text: &str,
    from: (usize, usize),
    run: Run,
    encoding: Encoding,
    inherited: &Header,
) -> Result<Read, ParseError> {
    let before: Vec<Line<'_>> = lines_from(text, from.0, from.1)
        .take_while(|line| line.start < run.start)
        .take(MOST_LINES_BEFORE + 1)
        .collect();
    if before.len() > MOST_LINES_BEFORE {
        return Err(ParseErrorKind::LimitExceeded {
            what: "lines or more before the samples",
            found: before.len() as u64,
            limit: MOST_LINES_BEFORE as u64,
        }
        .of_file());
    }
    let Some(first_row) = lines_from(text, run.start, run.line).next() else {
        return Err(ParseErrorKind::NoSamples.of_file());
    };
    let last_before = before
        .iter()
        .rev()
        .find(|line| !line.text.trim().is_empty())
        .map(|line| line.text);
    let few = specimens(text, run, SPECIMENS.0, SPECIMENS.1);
    let mut form = decide(&few, last_before, run.line)?;
    let mut block = Block::read(text, &mut before.clone(), run, &form, first_row, inherited)?;
    let odd = block.samples.stopped.is_some()
        && lines_from(text, block.samples.end, 0)
            .next()
            .is_some_and(|line| looks_numeric(line.text));
    if odd {
        let many = specimens(text, run, MANY_SPECIMENS, 0);
        let second = decide(&many, last_before, run.line)?;
        if second.dialect != form.dialect || second.columns != form.columns {
            form = second;
            block = Block::read(text, &mut before.clone(), run, &form, first_row, inherited)?;
        }
    }
    let wanted = block.plan.wanted(form.columns);
    if let Some(error) = broken_before(&before, &block.samples, form.dialect, &wanted) {
        return Err(error);
    }
    match judge(text, &block.samples, form.dialect, &wanted)? {
        Tail::LongerRun(longer) => return Ok(Read::Longer(longer)),
        Tail::CutLine => block.cut_line(text),
        Tail::Notes => block.cut_sample(text),
    }
    let end = (block.samples.end, block.samples.end_line);
    let content = block.finish(text, run, &form, encoding)?;
    Ok(Read::Block(Box::new(content), end))
}

/// A block on its way to traces.
struct Block {
    titles: Option<TitleRow>,
    settings: Settings,
    plan: Plan,
    samples: Samples,
    warnings: Vec<Warning>,
}

impl Block {
    fn read(
        text: &str,
        before: &mut Vec<Line<'_>>,
        run: Run,
        form: &Form,
        first_row: Line<'_>,
        inherited: &Header,
    ) -> Result<Self, ParseError> {
        let titles = take_titles(before, form.dialect.separator, form.columns);
        let context = Context {
            separator: form.dialect.separator,
            decimal: decimal_shown(form, text.get(run.start..).unwrap_or_default()),
        };
        let mut settings = Settings::default();
        for line in before.iter() {
            settings.take(*line, context)?;
        }
        settings.finish();
        settings.header = std::mem::take(&mut settings.header).or(inherited);
        let plan = plan(form, titles.as_ref(), &settings.structure, first_row)?;
        let wanted: Wanted = plan.wanted(form.columns);
        let samples = read_samples(text, run.start, run.line, form.dialect, &wanted)?;
        if samples.len() == 0 {
            // The first row itself does not fit what the columns were taken for.
            let error = samples.stopped.map(|misfit| misfit.error);
            return Err(error.unwrap_or_else(|| ParseErrorKind::NoSamples.of_file()));
        }
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
            warnings,
        })
    }

    /// Leaves out a last line that was not written to its end.
    fn cut_line(&mut self, text: &str) {
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
    fn cut_sample(&mut self, text: &str) {
        if self.samples.end < text.len() || self.samples.len() < 2 || !last_sample_is_cut(text) {
            return;
        }
        self.samples.distances.pop();
        for levels in &mut self.samples.levels {
            levels.pop();
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
    fn finish(
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
        let distances_m = self.distances_m(text, run, unit)?;
        let levels = std::mem::take(&mut self.samples.levels);
        let columns = std::mem::take(&mut self.plan.levels);
        let mut traces = Vec::with_capacity(levels.len());
        let mut held = Vec::with_capacity(levels.len());
        for (column, levels) in columns.iter().zip(levels) {
            let title = self.title(column.column);
            let (levels_db, holds) = self.levels_db(column, levels, run)?;
            let header = header_of(&self.settings.header, column);
            self.doubt_attenuation(&header, &distances_m, &levels_db, column.column);
            held.push((column.column, holds));
            traces.push(ReadTrace {
                header,
                distances_m: distances_m.clone(),
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
                notes: self.settings.notes,
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

    /// The unit named, else the only one in which the level falls as in a fibre.
    fn distance_unit(&mut self, run: Run) -> Result<DistanceUnit, ParseError> {
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
        let fall = fall_per_unit(&self.samples.distances, levels).map(f64::abs);
        let wavelength = self.settings.header.wavelength;
        if let (Some(fall), Some(wavelength)) = (fall, wavelength)
            && let [unit] = fitting_units(fall, wavelength).as_slice()
        {
            let per_km = fall * 1000.0 / unit.factor();
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
                format!("; the levels fall by {fall:.3e} dB for one unit, which fits no unit alone")
            }
            (None, _) => String::new(),
        };
        Err(ParseErrorKind::DistanceUnitUnknown { hint }.at(self.column_place(run), "", 0))
    }

    fn distances_m(
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
        let mut distances = std::mem::take(&mut self.samples.distances);
        let factor = match (
            unit.is_time(),
            self.settings.header.group_index.map(GroupIndex::ratio),
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
        if let Some(found) = first_break(&distances) {
            let at = |index: usize| distances.get(index).copied().unwrap_or(f64::NAN) * factor;
            let line = nth_row(text, run, found.index);
            let kind = ParseErrorKind::SpacingBreaks {
                found_m: at(found.index),
                wanted_m: at(found.index.saturating_sub(1)) + found.step * factor,
                spacing_m: found.step * factor,
            };
            return Err(kind.at(line, "", 0));
        }
        let (off, printed) = (farthest_off(&distances), printed_unit(&distances));
        if off > printed {
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

    /// Levels in decibels that fall along the fibre.
    fn levels_db(
        &mut self,
        column: &LevelColumn,
        mut levels: Vec<f64>,
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
        let finite = || levels.iter().copied().filter(|v| v.is_finite());
        let (low, high) = finite().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(v), h.max(v))
        });
        if high - low > WIDEST_TRACE_DB {
            let found = format!("numbers from {low} to {high}");
            return Err(ParseErrorKind::LinearLevels { found }.at(self.column_place(run), "", 0));
        }
        if column.unit.is_none() {
            self.warnings.push(Warning::new(
                "level unit assumed",
                format!("{named} names no unit; its numbers are taken as one-way decibels"),
            ));
        }
        let blanks = levels.len() - finite().count();
        if blanks > 0 {
            self.warnings.push(Warning::new(
                "blank levels",
                format!(
                    "{blanks} of {} samples of {named} hold no level",
                    levels.len()
                ),
            ));
        }
        let found = trend(&levels);
        let turned = match (found, column.titled_loss) {
            (Trend::Rising, _) => true,
            (Trend::Falling, _) => false,
            (Trend::Unclear, titled_loss) => titled_loss,
        };
        let because = match (found, column.titled_loss) {
            (Trend::Rising, true) => {
                Some("its title and its numbers say that it rises along the fibre; turned")
            }
            (Trend::Rising, false) => Some("its numbers rise along the fibre; turned"),
            (Trend::Falling, true) => {
                Some("its title says loss, but its numbers fall along the fibre; not turned")
            }
            (Trend::Unclear, true) => {
                Some("its title says loss and its numbers do not tell; turned")
            }
            (Trend::Falling | Trend::Unclear, false) => None,
        };
        if let Some(because) = because {
            self.warnings.push(Warning::new(
                "level direction",
                format!("{named}: {because}"),
            ));
        }
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

    /// Says where the fall of the level is not that of a fibre.
    fn doubt_attenuation(
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
        let (floor, ceiling) = attenuation_bounds(wavelength);
        let per_km = fall * 1000.0;
        if per_km < 0.5 * floor || per_km > 2.0 * ceiling {
            self.warnings.push(Warning::new(
                "attenuation doubtful",
                format!(
                    "column {}: the quietest stretches fall by {per_km:.3} dB/km, and a fibre at {} nm by \
                     {floor:.2} to {ceiling:.2}; check the unit of distance, and that the levels are one-way decibels",
                    column + 1,
                    wavelength.nm()
                ),
            ));
        }
    }
}

/// No trace spans more, in decibels; wider numbers are a linear scale.
const WIDEST_TRACE_DB: f64 = 300.0;

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
