//! Tables: widths from what stands in them, heads repeated on every page,
//! numbers under each other by their decimal point.

use super::flow::Flow;
use super::page::{Anchor, Area, HAIR, INK, Item, SOFT};
use super::typeset::{Colour, Line, Style};

/// White space at either side of a cell.
const PAD_X: f32 = 3.5;
/// White space above and below a cell's text.
const PAD_Y: f32 = 1.9;
/// Most lines of a cell; the rest is cut with an ellipsis.
const MOST_LINES: usize = 8;
/// Smallest size of a table's text in points.
const SMALLEST: f32 = 5.2;
/// Widest word that keeps its column from becoming narrower; a wider one is broken.
const MOST_WORD: f32 = 64.0;
/// Most white space that a table takes up beside a column to fill the width.
const MOST_SPREAD: f32 = 26.0;

/// How the cells of a column stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Align {
    /// At the left, broken into lines where it must be.
    Left,
    /// At the right, on one line.
    Right,
    /// By the decimal point, on one line.
    Decimal,
}

/// A column's head and how it stands.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Column {
    pub(super) head: String,
    pub(super) align: Align,
    /// Width that it keeps when others want more, in points; only for what is broken.
    pub(super) least: f32,
    /// Width that it has at least, whatever stands in it.
    pub(super) room: f32,
}

impl Column {
    pub(super) fn new(head: impl Into<String>, align: Align) -> Self {
        Self {
            head: head.into(),
            align,
            least: 58.0,
            room: 0.0,
        }
    }
}

/// A cell.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cell {
    pub(super) text: String,
    pub(super) is_bold: bool,
    pub(super) ink: Colour,
    pub(super) fill: Option<Colour>,
    pub(super) frame: Option<Colour>,
    pub(super) jump: Option<Anchor>,
}

impl Cell {
    pub(super) fn new(text: impl Into<String>) -> Self {
        Self {
            text: text.into(),
            is_bold: false,
            ink: INK,
            fill: None,
            frame: None,
            jump: None,
        }
    }

    pub(super) fn soft(text: impl Into<String>) -> Self {
        Self {
            ink: SOFT,
            ..Self::new(text)
        }
    }

    pub(super) fn bold(mut self) -> Self {
        self.is_bold = true;
        self
    }

    pub(super) fn inked(mut self, ink: Colour) -> Self {
        self.ink = ink;
        self
    }

    pub(super) fn filled(mut self, fill: Option<Colour>) -> Self {
        self.fill = fill;
        self
    }

    pub(super) fn framed(mut self, frame: Option<Colour>) -> Self {
        self.frame = frame;
        self
    }

    pub(super) fn jumping(mut self, anchor: Option<Anchor>) -> Self {
        self.jump = anchor;
        self
    }
}

/// A table.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Table {
    pub(super) columns: Vec<Column>,
    pub(super) rows: Vec<Vec<Cell>>,
    /// Size of the text in points.
    pub(super) size: f32,
}

/// A cell's lines, with the width left of the decimal point.
struct Set {
    lines: Vec<Line>,
    before: f32,
}

/// What a column must hold.
#[derive(Debug, Clone, Copy, Default)]
struct Content {
    width: f32,
    before: f32,
    after: f32,
}

impl Content {
    fn hold(&mut self, set: &Set) {
        let width = set.lines.first().map_or(0.0, |line| line.width);
        self.before = self.before.max(set.before);
        self.after = self.after.max(width - set.before);
        self.width = self.width.max(width).max(self.before + self.after);
    }
}

/// Takes up to `excess` points from the columns that are wider than `least`, each in
/// proportion; gives what is left of it.
fn taken(widths: &mut [f32], least: &[f32], excess: f32) -> f32 {
    let spare: Vec<f32> = widths
        .iter()
        .zip(least)
        .map(|(width, least)| (width - least).max(0.0))
        .collect();
    let total: f32 = spare.iter().sum();
    let taken = excess.min(total);
    if total > 0.0 {
        for (width, spare) in widths.iter_mut().zip(&spare) {
            *width -= taken * spare / total;
        }
    }
    excess - taken
}

impl Table {
    fn style(&self) -> Style {
        Style {
            leading: 1.22,
            ..Style::new(self.size, INK)
        }
    }

    fn head_style(&self) -> Style {
        Style {
            leading: 1.15,
            ..Style::new(self.size - 0.7, SOFT)
        }
    }

    /// Lays the table down the flow.
    pub(super) fn lay(&self, flow: &mut Flow) {
        self.lay_with(flow, PAD_Y, 0.0);
    }

    /// Lays the table with little space between its rows.
    pub(super) fn lay_tight(&self, flow: &mut Flow) {
        self.lay_with(flow, 0.6, 0.0);
    }

    /// Lays the table with rows that can be written in, `least` points high.
    pub(super) fn lay_tall(&self, flow: &mut Flow, least: f32) {
        self.lay_with(flow, PAD_Y, least);
    }

    fn lay_with(&self, flow: &mut Flow, pad: f32, least: f32) {
        if self.columns.is_empty() {
            return;
        }
        // A number is never cut: a table that is too wide is set smaller.
        let smaller = self.size - 0.4;
        if smaller >= SMALLEST && self.least_width(flow) > flow.room() {
            let table = Self {
                size: smaller,
                ..self.clone()
            };
            table.lay_with(flow, pad, least);
            return;
        }
        let mut rows: Vec<Vec<Set>> = self
            .rows
            .iter()
            .map(|row| {
                row.iter()
                    .zip(&self.columns)
                    .map(|(cell, column)| self.set(flow, cell, column.align))
                    .collect()
            })
            .collect();
        let (widths, points) = self.widths(flow, &rows);
        for (row, cells) in rows.iter_mut().zip(&self.rows) {
            for ((set, cell), (column, width)) in row
                .iter_mut()
                .zip(cells)
                .zip(self.columns.iter().zip(&widths))
            {
                fit(flow, set, cell, column.align, width - 2.0 * PAD_X);
            }
        }
        let heads: Vec<Vec<Line>> = self
            .columns
            .iter()
            .zip(&widths)
            .map(|(column, width)| {
                let style = self.head_style();
                flow.typesetter
                    .lines(&column.head, style, width - 2.0 * PAD_X)
            })
            .collect();
        let tallest = |row: &[Set]| {
            let lines = row.iter().map(|set| set.lines.len()).max().unwrap_or(1);
            (lines.max(1) as f32 * self.style().line_height() + 2.0 * pad).max(least)
        };
        let head_height = heads.iter().map(Vec::len).max().unwrap_or(1) as f32
            * self.head_style().line_height()
            + 2.0 * PAD_Y
            + 1.0;
        let first: f32 = rows.iter().take(2).map(|row| tallest(row)).sum();
        flow.need(head_height + first);
        self.head(flow, &heads, &widths, head_height);
        for (row, cells) in rows.into_iter().zip(&self.rows) {
            let height = tallest(&row);
            if height > flow.left_below() && !flow.is_at_top() {
                flow.next_page();
                self.head(flow, &heads, &widths, head_height);
            }
            self.row(flow, row, cells, &widths, &points, (height, pad));
        }
    }

    /// Width of the numbers, and of what is broken at its narrowest; heads can be broken.
    fn least_width(&self, flow: &mut Flow) -> f32 {
        let mut total = 0.0;
        for (index, column) in self.columns.iter().enumerate() {
            let mut content = Content::default();
            if column.align == Align::Left {
                content.width = column.least;
            } else {
                for cell in self.rows.iter().filter_map(|row| row.get(index)) {
                    content.hold(&self.set(flow, cell, column.align));
                }
                content.width += 2.0 * PAD_X + 0.5;
            }
            total += content.width.max(column.room);
        }
        total
    }

    fn widest_head_word(&self, flow: &mut Flow, column: &Column) -> f32 {
        column
            .head
            .split_whitespace()
            .map(|word| flow.typesetter.line(word, self.head_style()).width)
            .fold(0.0, f32::max)
    }

    fn set(&self, flow: &mut Flow, cell: &Cell, align: Align) -> Set {
        let mut style = self.style().inked(cell.ink);
        if cell.is_bold {
            style = style.bold();
        }
        let line = flow.typesetter.line(&cell.text, style);
        let before = if align == Align::Decimal {
            before_the_point(&line)
        } else {
            line.width
        };
        Set {
            lines: vec![line],
            before,
        }
    }

    /// Width of every column, and for numbers the distance of the decimal point from
    /// the column's right edge.
    fn widths(&self, flow: &mut Flow, rows: &[Vec<Set>]) -> (Vec<f32>, Vec<f32>) {
        let mut widths = Vec::new();
        let mut points = Vec::new();
        let mut words = Vec::new();
        let mut least = Vec::new();
        for (index, column) in self.columns.iter().enumerate() {
            let cells = || rows.iter().filter_map(|row| row.get(index));
            let mut content = Content::default();
            cells().for_each(|set| content.hold(set));
            let head = self.widest_head_word(flow, column);
            let padded = |width: f32| (width + 2.0 * PAD_X + 0.5).max(column.room);
            let width = padded(content.width.max(head));
            widths.push(width);
            points.push(content.after);
            if column.align == Align::Left {
                let word = cells()
                    .flat_map(|set| &set.lines)
                    .map(widest_word)
                    .fold(0.0, f32::max);
                words.push(column.least.max(word.min(MOST_WORD) + 2.0 * PAD_X));
                least.push(column.least);
            } else {
                words.push(width);
                least.push(padded(content.width));
            }
        }
        let total: f32 = widths.iter().sum();
        let room = flow.room();
        if total > room {
            // Down to the words, then to what numbers need, then from all.
            let excess = taken(&mut widths, &words, total - room);
            let excess = taken(&mut widths, &least, excess);
            let nothing = vec![0.0; widths.len()];
            taken(&mut widths, &nothing, excess);
        } else {
            let spread = ((room - total) / self.columns.len() as f32).min(MOST_SPREAD);
            for width in &mut widths {
                *width += spread;
            }
        }
        (widths, points)
    }

    fn head(&self, flow: &mut Flow, heads: &[Vec<Line>], widths: &[f32], height: f32) {
        let style = self.head_style();
        let bottom = flow.y() + height;
        let lowest = heads.iter().map(Vec::len).max().unwrap_or(1);
        let mut x = flow.left();
        for ((lines, width), column) in heads.iter().zip(widths).zip(&self.columns) {
            let missing = (lowest - lines.len()) as f32;
            for (row, line) in lines.iter().enumerate() {
                let y = flow.y()
                    + PAD_Y
                    + (missing + row as f32) * style.line_height()
                    + style.baseline();
                let (at, share) = match column.align {
                    Align::Left => (x + PAD_X, 0.0),
                    Align::Right | Align::Decimal => (x + width - PAD_X, 1.0),
                };
                flow.put_line(line.clone(), at, y, share);
            }
            x += width;
        }
        let area = Area {
            x: flow.left(),
            y: bottom - 0.9,
            width: x - flow.left(),
            height: 0.9,
        };
        flow.put(Item::Filled { area, colour: INK });
        flow.advance(height);
    }

    fn row(
        &self,
        flow: &mut Flow,
        row: Vec<Set>,
        cells: &[Cell],
        widths: &[f32],
        points: &[f32],
        (height, pad): (f32, f32),
    ) {
        let style = self.style();
        let top = flow.y();
        let mut x = flow.left();
        let columns = self.columns.iter().zip(widths).zip(points);
        for ((set, cell), ((column, width), after)) in row.into_iter().zip(cells).zip(columns) {
            let area = Area {
                x,
                y: top,
                width: *width,
                height,
            };
            if let Some(colour) = cell.fill {
                flow.put(Item::Filled { area, colour });
            }
            if let Some(colour) = cell.frame {
                let inner = Area {
                    x: x + 0.6,
                    y: top + 0.6,
                    width: width - 1.2,
                    height: height - 1.2,
                };
                flow.put(Item::Framed {
                    area: inner,
                    width: 0.8,
                    colour,
                });
            }
            if let Some(anchor) = cell.jump {
                flow.jump(area, anchor);
            }
            let right = x + width - PAD_X;
            for (number, line) in set.lines.into_iter().enumerate() {
                let y = top + pad + number as f32 * style.line_height() + style.baseline();
                let (at, share) = match column.align {
                    Align::Left => (x + PAD_X, 0.0),
                    Align::Right => (right, 1.0),
                    Align::Decimal => ((right - after - set.before).max(x + PAD_X), 0.0),
                };
                flow.put_line(line, at, y, share);
            }
            x += width;
        }
        let area = Area {
            x: flow.left(),
            y: top + height - 0.3,
            width: x - flow.left(),
            height: 0.3,
        };
        flow.put(Item::Filled { area, colour: HAIR });
        flow.advance(height);
    }
}

/// Breaks or shortens what is wider than its column.
fn fit(flow: &mut Flow, set: &mut Set, cell: &Cell, align: Align, room: f32) {
    let is_wide = set.lines.iter().any(|line| line.width > room + 0.01);
    let is_broken = align == Align::Left && cell.text.contains('\n');
    let Some(style) = set.lines.first().map(|line| line.style) else {
        return;
    };
    if !is_wide && !is_broken {
        return;
    }
    if align != Align::Left {
        set.lines = vec![flow.typesetter.fitted(&cell.text, style, room)];
        return;
    }
    let lines = flow
        .typesetter
        .few_lines(&cell.text, style, room, MOST_LINES);
    set.lines = lines;
}

/// Width of the widest word of a line.
fn widest_word(line: &Line) -> f32 {
    let (mut widest, mut word) = (0.0_f32, 0.0_f32);
    for glyph in &line.glyphs {
        let letters = line
            .text
            .get(glyph.text.start as usize..glyph.text.end as usize)
            .unwrap_or_default();
        if letters.trim().is_empty() {
            word = 0.0;
        } else {
            word += glyph.advance * line.style.size;
        }
        widest = widest.max(word);
    }
    widest
}

/// Width of what stands left of the first decimal point; of a number without one,
/// of the number.
fn before_the_point(line: &Line) -> f32 {
    let text = &line.text;
    let end = text
        .find('.')
        .or_else(|| text.find(' '))
        .unwrap_or(text.len());
    line.glyphs
        .iter()
        .filter(|glyph| (glyph.text.start as usize) < end)
        .map(|glyph| glyph.advance * line.style.size)
        .sum()
}
