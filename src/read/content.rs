//! From text to traces: the steps in order.

use crate::trace::Header;
use crate::units::Wavelength;
use crate::warning::Warning;

use super::block::{PLENTY, Run, find_run, is_blank_level, looks_numeric, specimens};
use super::decode::Encoding;
use super::entry::comment_mark;
use super::error::{ParseError, ParseErrorKind, excerpt};
use super::evidence::decide;
use super::interpret::Block;
use super::layout::{BlockForm, Column, Holds, Layout};
use super::lines::{Line, lines_from, quoted_together};
use super::lists::{List, by_wavelength, spread, take_out, unused};
use super::overruled::overruled;
use super::recipe::Recipe;
use super::settings::{Context, Setting, Settings, Structure, decimal_of};
use super::tail::{Tail, broken_before, judge};
use super::titles::{DistanceUnit, LevelUnit};
use super::words::Known;
use super::{FileContent, ReadTrace};

/// Rows that the form is first judged by: so many from the start, and from all over.
const SPECIMENS: (usize, usize) = (64, 64);
/// Rows that it is judged by when a row does not fit what the few showed.
const MANY_SPECIMENS: usize = 200_000;
/// Most lines before the samples.
const MOST_LINES_BEFORE: usize = 30_000;
/// Most lines looked at behind the samples.
const MOST_LINES_AFTER: usize = 100_000;
/// Most lines behind the samples that are searched for what they are.
const MOST_LINES_BEHIND: usize = 1_000;
/// Most blocks of samples in one file.
const MOST_BLOCKS: usize = 64;

/// What is known of a file before it is read.
#[derive(Debug, Clone, Copy)]
pub(super) struct Given<'g> {
    /// Settings for what the file lacks; they decide units and are not kept.
    pub(super) fallback: &'g Header,
    pub(super) recipe: &'g Recipe,
}

/// What the first block says for those behind it that say nothing else.
#[derive(Debug, Clone, Default)]
pub(super) struct Inherited {
    pub(super) header: Header,
    pub(super) spacing_m: Option<f64>,
    pub(super) start_m: Option<f64>,
    pub(super) distance_unit: Option<DistanceUnit>,
    pub(super) level_unit: Option<LevelUnit>,
    /// Values for each wavelength.
    pub(super) lists: Vec<List>,
}

impl Inherited {
    fn of(content: &FileContent, lists: &[List]) -> Self {
        let stated = |known: Known| {
            let setting = content
                .layout
                .settings
                .iter()
                .find(|setting| setting.means == Some(known.name()));
            setting.map(|setting| setting.value.to_lowercase())
        };
        let mut header = content
            .traces
            .first()
            .map(|trace| trace.header.clone())
            .unwrap_or_default();
        take_out(lists, &mut header);
        Self {
            header,
            lists: by_wavelength(lists).cloned().collect(),
            distance_unit: stated(Known::DistanceUnit).and_then(|w| DistanceUnit::from_word(&w)),
            level_unit: stated(Known::LevelUnit).and_then(|w| LevelUnit::from_word(&w)),
            ..Self::default()
        }
    }

    /// What stands behind the first run of rows, where what stands before it does not
    /// say what the numbers are.
    fn from_behind(text: &str, run: Run, recipe: &Recipe) -> Option<Self> {
        let is_row = |line: &Line<'_>| {
            let filled = !line.text.trim().is_empty();
            !filled || looks_numeric(line.text) || is_blank_level(line.text)
        };
        let behind = lines_from(text, run.start, run.line).skip_while(is_row);
        let mut settings = Settings::default();
        for line in behind.take(MOST_LINES_BEHIND) {
            let context = Context::of_header(&recipe.vocabulary);
            settings.take_after(line, context, (&[], "")).ok()?;
        }
        let structure = settings.structure;
        let says = structure != Structure::default() || settings.header.group_index.is_some();
        says.then_some(Self {
            header: settings.header,
            spacing_m: structure.spacing_m,
            start_m: structure.start_m,
            distance_unit: structure.distance_unit,
            level_unit: structure.level_unit,
            lists: Vec::new(),
        })
    }
}

/// Reads a decoded file.
pub(super) fn read(
    text: &str,
    encoding: Encoding,
    given: Given<'_>,
) -> Result<FileContent, ParseError> {
    if text.trim().is_empty() {
        return Err(ParseErrorKind::Empty.of_file());
    }
    let mut run =
        find_run(text, 0, 1, PLENTY).ok_or_else(|| ParseErrorKind::NoSamples.of_file())?;
    let mut known = Inherited::default();
    let mut looked_behind = false;
    let (mut content, mut end, mut lists) = loop {
        match read_block(text, (0, 1), run, encoding, (&known, given)) {
            Ok(Read::Block(content, end, lists)) => break (*content, end, lists),
            Ok(Read::Longer(longer)) => run = longer,
            Err(error) if !looked_behind && may_stand_behind(&error.kind) => {
                looked_behind = true;
                known = Inherited::from_behind(text, run, given.recipe).ok_or(error)?;
            }
            Err(error) => return Err(error),
        }
    };
    let mut blocks = 1;
    while let Some(next) = find_run(text, end.0, end.1, PLENTY).filter(|run| run.rows >= PLENTY) {
        let inherited = Inherited::of(&content, &lists);
        let why = if blocks == MOST_BLOCKS {
            format!("{MOST_BLOCKS} blocks are read at most")
        } else {
            match read_block(text, end, next, encoding, (&inherited, given)) {
                Ok(Read::Block(more, after, own)) => {
                    let before = |list: &List| lists.contains(list);
                    let own: Vec<List> = own.into_iter().filter(|list| !before(list)).collect();
                    lists.extend(own);
                    content.traces.extend(more.traces);
                    content.warnings.extend(more.warnings);
                    content.layout.settings.extend(more.layout.settings);
                    content.layout.notes.extend(more.layout.notes);
                    content.layout.further_blocks.push(BlockForm {
                        dialect: more.layout.dialect,
                        title_line: more.layout.title_line,
                        columns: more.layout.columns,
                        first_line: more.layout.first_line,
                        last_line: more.layout.last_line,
                    });
                    end = after;
                    blocks += 1;
                    continue;
                }
                Ok(Read::Longer(_)) => "a longer table follows".to_owned(),
                Err(error) => error.to_string(),
            }
        };
        content.warnings.push(Warning::new(
            "rows not read",
            format!(
                "the rows of numbers from line {} on are not read as a trace: {why}",
                next.line
            ),
        ));
        break;
    }
    lists.extend(take_notes(text, end, blocks, given.recipe, &mut content)?);
    let headers: Vec<&Header> = content.traces.iter().map(|trace| &trace.header).collect();
    let unused = unused(&lists, &headers);
    content.warnings.extend(unused);
    content
        .warnings
        .extend(overruled(&content.traces, given.fallback));
    if encoding == Encoding::Windows1252 {
        content.warnings.push(Warning::new(
            "encoding assumed",
            "the file is not UTF-8; its letters beyond ASCII are read as Windows-1252",
        ));
    }
    Ok(content)
}

/// Whether settings behind the samples may say what was missing.
const fn may_stand_behind(kind: &ParseErrorKind) -> bool {
    matches!(
        kind,
        ParseErrorKind::DistanceUnitUnknown { .. }
            | ParseErrorKind::TimeWithoutGroupIndex
            | ParseErrorKind::NoGrid { .. }
    )
}

/// Lines behind the last block; gives the lists of values in them.
fn take_notes(
    text: &str,
    end: (usize, usize),
    blocks: usize,
    recipe: &Recipe,
    content: &mut FileContent,
) -> Result<Vec<List>, ParseError> {
    let context = Context {
        separator: content.layout.dialect.separator,
        vocabulary: &recipe.vocabulary,
        decimal: Some(content.layout.dialect.numbers.decimal),
    };
    let mut after = Settings::default();
    // What the header gave is not taken again from words behind the samples.
    let given: Vec<_> = content
        .layout
        .settings
        .iter()
        .filter_map(|s| s.means)
        .collect();
    let first = content.layout.settings.first().map_or(0, |s| s.line);
    let mark = lines_from(text, 0, 1)
        .nth(first.saturating_sub(1))
        .map_or("", |line| comment_mark(line.text));
    let mut lines = lines_from(text, end.0, end.1);
    for line in lines.by_ref().take(MOST_LINES_AFTER) {
        after.take_after(line, context, (&given, mark))?;
    }
    if let Some(line) = lines.next() {
        content.warnings.push(Warning::new(
            "notes left out",
            format!("the lines from line {} on are not looked at", line.number),
        ));
    }
    after.finish();
    if blocks == 1 {
        refuse_contradiction(&content.layout.settings, &after.entries)?;
    }
    content.layout.settings.extend(after.entries);
    content.layout.notes.extend(after.notes);
    content.warnings.extend(after.warnings);
    let stated = |trace: &ReadTrace| trace.header.wavelength.map(Wavelength::nm);
    let titled: Vec<Option<f64>> = match blocks {
        1 => level_wavelengths(&content.layout),
        _ => content.traces.iter().map(stated).collect(),
    };
    // Values may go by the wavelengths that stand before the samples.
    let wavelength = |trace: &ReadTrace| Header {
        wavelength: trace.header.wavelength,
        ..Header::default()
    };
    let mut headers: Vec<Header> = content.traces.iter().map(wavelength).collect();
    spread(&after.lists, &titled, &mut headers)?;
    for (trace, header) in content.traces.iter_mut().zip(&headers) {
        trace.header = std::mem::take(&mut trace.header).or(header);
    }
    for trace in &mut content.traces {
        let mut header = std::mem::take(&mut trace.header).or(&after.header);
        header.other.extend(after.header.other.iter().cloned());
        trace.header = header;
    }
    Ok(after.lists)
}

/// Wavelengths in the titles of the columns of levels.
fn level_wavelengths(layout: &Layout) -> Vec<Option<f64>> {
    let wavelength = |column: &Column| match column.holds {
        Holds::Level { wavelength, .. } => Some(wavelength.map(Wavelength::nm)),
        _ => None,
    };
    layout.columns.iter().filter_map(wavelength).collect()
}

/// Refuses a setting behind the samples that differs from the one before them.
fn refuse_contradiction(before: &[Setting], after: &[Setting]) -> Result<(), ParseError> {
    for setting in after
        .iter()
        .filter(|setting| setting.means.is_some_and(|means| means != "note"))
    {
        let other = before
            .iter()
            .find(|b| b.means == setting.means && b.value != setting.value);
        if let Some(other) = other {
            let kind = ParseErrorKind::SettingTwice {
                key: setting.key.clone(),
                found: excerpt(&setting.value),
                before: excerpt(&other.value),
                before_line: other.line,
            };
            return Err(kind.at(setting.line, "", 0));
        }
    }
    Ok(())
}

enum Read {
    /// What was read, where the text goes on, and the lists of values before the rows.
    Block(Box<FileContent>, (usize, usize), Vec<List>),
    /// The rows were a table; the samples are these.
    Longer(Run),
}

/// Reads one block of samples and the lines before it, from `from` on; `headers`
/// are that of the block before, and what is known from elsewhere.
fn read_block(
    text: &str,
    from: (usize, usize),
    run: Run,
    encoding: Encoding,
    headers: (&Inherited, Given<'_>),
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
    let before = quoted_together(text, &before);
    let Some(first_row) = lines_from(text, run.start, run.line).next() else {
        return Err(ParseErrorKind::NoSamples.of_file());
    };
    let last_before = before
        .iter()
        .rev()
        .find(|line| line.text.contains(char::is_alphanumeric))
        .map(|line| line.text);
    let few = specimens(text, run, SPECIMENS.0, SPECIMENS.1);
    let recipe = headers.1.recipe;
    let header_decimal = || decimal_of(&before, Context::of_header(&recipe.vocabulary));
    let mut form = decide(&few, last_before, run.line, recipe, header_decimal)?;
    let mut block = Block::read(text, &mut before.clone(), run, &form, first_row, headers)?;
    let odd = block.samples.stopped.is_some()
        && lines_from(text, block.samples.end, 0)
            .next()
            .is_some_and(|line| looks_numeric(line.text));
    if odd {
        let many = specimens(text, run, MANY_SPECIMENS, 0);
        let second = decide(&many, last_before, run.line, recipe, header_decimal)?;
        if second.dialect != form.dialect || second.columns != form.columns {
            form = second;
            block = Block::read(text, &mut before.clone(), run, &form, first_row, headers)?;
        }
    }
    let wanted = block.plan.wanted(form.columns);
    if let Some(error) = broken_before(
        &before,
        &block.samples,
        form.dialect,
        &wanted,
        block.title_line(),
    ) {
        return Err(error);
    }
    match judge(text, &block.samples, form.dialect, &wanted, from.0 == 0)? {
        Tail::LongerRun(longer) => return Ok(Read::Longer(longer)),
        Tail::CutLine => block.cut_line(text),
        Tail::Notes => block.cut_sample(text),
    }
    let end = (block.samples.end, block.samples.end_line);
    let lists = block.settings.lists.clone();
    let content = block.finish(text, run, &form, encoding)?;
    Ok(Read::Block(Box::new(content), end, lists))
}
