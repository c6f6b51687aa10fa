//! The flow of blocks down the pages: what does not fit goes to the next one.

use super::page::{ACCENT, Anchor, Area, Bookmark, HAIR, INK, Item, Page, Pages, SOFT, Spot};
use super::typeset::{Line, Style, Typesetter};
use super::{Paper, PdfError};
use crate::report::shortened;

/// White space at both sides of the text.
const SIDE: f32 = 51.0;
/// White space above the text; the running head stands in it.
const TOP: f32 = 60.0;
/// White space below the text; the foot stands in it.
const BOTTOM: f32 = 50.0;
/// Baseline of the running head.
const HEAD_Y: f32 = 40.0;
/// From the lower edge to the foot's baseline.
const FOOT_Y: f32 = 30.0;

/// Share of a page that must be left for another chapter to begin on it.
const CHAPTER_SHARE: f32 = 0.3;
/// White space before a chapter that begins on the page of another.
const CHAPTER_GAP: f32 = 30.0;

/// Most characters of a bookmark.
const MOST_IN_BOOKMARK: usize = 200;

/// Running text.
pub(super) const BODY: Style = Style::new(8.5, INK);
/// Second-rank text.
pub(super) const NOTE: Style = Style::new(7.0, SOFT);
/// Heading of a chapter.
pub(super) const CHAPTER: Style = Style::new(17.0, INK).bold();
/// Heading within a chapter.
pub(super) const SECTION: Style = Style::new(10.5, INK).bold();

/// Words of the head and the foot of every page.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Running {
    /// Left in the head: what the document is about.
    pub(super) subject: String,
    /// Left in the foot: program and time of the report.
    pub(super) origin: String,
    /// Page number; `{page}` and `{pages}` stand for the numbers.
    pub(super) number: String,
}

/// Lays blocks down the pages.
pub(super) struct Flow {
    pub(super) typesetter: Typesetter,
    size: (f32, f32),
    left: f32,
    out: Pages,
    y: f32,
    /// Where the block before, a heading, left off: white space after it is its own.
    heading_end: f32,
    /// The last heading within a chapter.
    heading: Option<Heading>,
    chapter: Option<String>,
}

/// A heading that may have to go to the next page with what it stands over.
struct Heading {
    start: Mark,
    end: f32,
    title: String,
}

/// A state of the flow to go back to.
#[derive(Debug, Clone)]
pub(super) struct Mark {
    pages: usize,
    items: usize,
    jumps: usize,
    bookmarks: usize,
    y: f32,
}

impl Flow {
    pub(super) fn new(paper: Paper) -> Result<Self, PdfError> {
        Ok(Self {
            typesetter: Typesetter::new()?,
            size: paper.points(),
            left: SIDE,
            out: Pages {
                all: vec![Page::default()],
                ..Pages::default()
            },
            y: TOP,
            heading_end: 0.0,
            heading: None,
            chapter: None,
        })
    }

    /// Left edge of the text.
    pub(super) const fn left(&self) -> f32 {
        self.left
    }

    /// Width of the text.
    pub(super) fn room(&self) -> f32 {
        self.size.0 - 2.0 * SIDE
    }

    /// Height of the text on a whole page.
    pub(super) fn height(&self) -> f32 {
        self.size.1 - TOP - BOTTOM
    }

    /// Height left on this page.
    pub(super) fn left_below(&self) -> f32 {
        self.size.1 - BOTTOM - self.y
    }

    /// Upper edge of the next block.
    pub(super) const fn y(&self) -> f32 {
        self.y
    }

    pub(super) fn is_at_top(&self) -> bool {
        self.y <= TOP
    }

    pub(super) fn put(&mut self, item: Item) {
        if let Some(page) = self.out.all.last_mut() {
            page.items.push(item);
        }
    }

    /// Makes an area lead to an anchor.
    pub(super) fn jump(&mut self, area: Area, anchor: Anchor) {
        if let Some(page) = self.out.all.last_mut() {
            page.jumps.push((area, anchor));
        }
    }

    pub(super) fn next_page(&mut self) {
        self.out.all.push(Page {
            chapter: self.chapter.clone(),
            ..Page::default()
        });
        self.y = TOP;
        self.heading_end = 0.0;
    }

    /// Goes to the next page unless `height` fits on this one.
    pub(super) fn need(&mut self, height: f32) {
        if height <= self.left_below() || self.is_at_top() {
            return;
        }
        // A heading goes with what it stands over.
        let heading = self.heading.take().filter(|heading| {
            self.is_on_page_of(&heading.start) && self.y <= heading.end && heading.start.y > TOP
        });
        if let Some(heading) = &heading {
            self.back_to(&heading.start);
        }
        self.next_page();
        if let Some(heading) = heading {
            self.section_head(&heading.title);
        }
    }

    pub(super) fn advance(&mut self, height: f32) {
        self.y += height;
    }

    /// Remembers this place.
    pub(super) fn mark(&self) -> Mark {
        let last = self.out.all.last();
        Mark {
            pages: self.out.all.len(),
            items: last.map_or(0, |page| page.items.len()),
            jumps: last.map_or(0, |page| page.jumps.len()),
            bookmarks: self.out.bookmarks.len(),
            y: self.y,
        }
    }

    /// Forgets everything that was laid since.
    pub(super) fn back_to(&mut self, mark: &Mark) {
        self.out.all.truncate(mark.pages);
        if let Some(page) = self.out.all.last_mut() {
            page.items.truncate(mark.items);
            page.jumps.truncate(mark.jumps);
        }
        self.out.bookmarks.truncate(mark.bookmarks);
        self.y = mark.y;
    }

    /// Whether all since stands on the same page.
    pub(super) fn is_on_page_of(&self, mark: &Mark) -> bool {
        self.out.all.len() == mark.pages
    }

    /// How many pages were begun since.
    pub(super) fn pages_since(&self, mark: &Mark) -> usize {
        self.out.all.len() - mark.pages
    }

    /// White space between two blocks; none at the top of a page or after a heading.
    pub(super) fn gap(&mut self, height: f32) {
        if !self.is_at_top() && self.y > self.heading_end {
            self.y += height;
        }
    }

    fn spot(&self) -> Spot {
        Spot {
            page: self.out.all.len().saturating_sub(1),
            y: (self.y - 12.0).max(0.0),
        }
    }

    /// Names this place for jumps.
    pub(super) fn anchor(&mut self, anchor: Anchor) {
        let spot = self.spot();
        self.out.anchors.entry(anchor).or_insert(spot);
    }

    /// Enters this place into the table of contents.
    pub(super) fn bookmark(&mut self, level: usize, text: &str) {
        let bookmark = Bookmark {
            level,
            // A reader shows a line of it; PDF/A bounds the length of a text.
            text: shortened(text, MOST_IN_BOOKMARK),
            spot: self.spot(),
        };
        self.out.bookmarks.push(bookmark);
    }

    /// Begins a chapter on a page of its own.
    pub(super) fn chapter(&mut self, title: &str) {
        self.chapter = Some(title.to_owned());
        self.next_page();
        self.chapter_head(title);
    }

    /// Begins a chapter below the one before where that leaves much of its page.
    pub(super) fn chapter_below(&mut self, title: &str) {
        if self.left_below() < CHAPTER_SHARE * self.height() {
            self.chapter(title);
            return;
        }
        self.chapter = Some(title.to_owned());
        if let Some(page) = self.out.all.last_mut() {
            page.chapter = Some(match page.chapter.take() {
                Some(before) => format!("{before} · {title}"),
                None => title.to_owned(),
            });
        }
        self.gap(CHAPTER_GAP);
        self.chapter_head(title);
    }

    fn chapter_head(&mut self, title: &str) {
        self.bookmark(0, title);
        self.text(title, CHAPTER);
        self.advance(3.0);
        let area = Area {
            x: self.left(),
            y: self.y,
            width: 28.0,
            height: 2.2,
        };
        self.put(Item::Filled {
            area,
            colour: ACCENT,
        });
        self.advance(16.0);
        self.heading_end = self.y;
    }

    /// Names the chapter that the next pages belong to.
    pub(super) fn set_chapter(&mut self, title: &str) {
        self.chapter = Some(title.to_owned());
    }

    /// A heading that stays with at least `with` points of what follows.
    pub(super) fn section(&mut self, title: &str, with: f32) {
        self.gap(14.0);
        self.need(SECTION.line_height() + 4.0 + with);
        let start = self.mark();
        self.section_head(title);
        self.heading = Some(Heading {
            start,
            end: self.y,
            title: title.to_owned(),
        });
    }

    fn section_head(&mut self, title: &str) {
        self.text(title, SECTION);
        self.advance(4.0);
    }

    /// A paragraph over the whole width, broken over pages where it must be.
    pub(super) fn text(&mut self, text: &str, style: Style) {
        self.text_within(text, style, 0.0, self.room());
    }

    /// A paragraph that begins `indent` points to the right.
    pub(super) fn text_within(&mut self, text: &str, style: Style, indent: f32, room: f32) {
        let lines = self.typesetter.lines(text, style, room);
        let x = self.left() + indent;
        let height = style.line_height();
        // Two lines at least stay together.
        self.need(height * lines.len().min(2) as f32);
        for line in lines {
            self.need(height);
            let y = self.y + style.baseline();
            self.put(Item::Text { x, y, line });
            self.advance(height);
        }
    }

    /// A paragraph with a mark before it, hanging.
    pub(super) fn item(&mut self, mark: &str, text: &str, style: Style) {
        let indent = 14.0;
        let lines = self
            .typesetter
            .lines(text, style, self.room() - indent)
            .len();
        self.need(style.line_height() * lines.min(2) as f32);
        let line = self.typesetter.line(mark, style);
        let (x, y) = (self.left(), self.y + style.baseline());
        self.put(Item::Text { x, y, line });
        self.text_within(text, style, indent, self.room() - indent);
        self.advance(2.0);
    }

    /// A name with a rule after it, to be written on.
    pub(super) fn ruled(&mut self, name: &str, style: Style) {
        self.need(style.line_height());
        let line = self.typesetter.line(name, style);
        let start = self.left() + line.width + 4.0;
        let (x, y) = (self.left(), self.y + style.baseline());
        self.put(Item::Text { x, y, line });
        let area = Area {
            x: start,
            y: y + 2.0,
            width: 160.0,
            height: 0.5,
        };
        self.put(Item::Filled { area, colour: INK });
        self.advance(style.line_height());
    }

    /// Puts a line with its left, right or middle at `x`; `share` is 0, 1 or ½.
    pub(super) fn put_line(&mut self, line: Line, x: f32, y: f32, share: f32) {
        let x = x - share * line.width;
        self.put(Item::Text { x, y, line });
    }

    /// Writes heads and feet, now that the number of pages is known.
    pub(super) fn finished(mut self, running: &Running) -> (Pages, Typesetter) {
        let (wide, high) = self.size;
        let count = self.out.all.len();
        for index in 0..count {
            let number = running
                .number
                .replace("{page}", &(index + 1).to_string())
                .replace("{pages}", &count.to_string());
            let number = self.typesetter.line(&number, NOTE.inked(INK));
            let mut items = self.both_sides(&running.origin, number, high - FOOT_Y);
            let chapter = self
                .out
                .all
                .get(index)
                .and_then(|page| page.chapter.clone());
            if let Some(chapter) = chapter {
                let chapter = self.typesetter.fitted(&chapter, NOTE, self.room() / 2.0);
                items.extend(self.both_sides(&running.subject, chapter, HEAD_Y));
                items.push(Item::Filled {
                    area: Area {
                        x: SIDE,
                        y: HEAD_Y + 6.0,
                        width: wide - 2.0 * SIDE,
                        height: 0.5,
                    },
                    colour: HAIR,
                });
            }
            if let Some(page) = self.out.all.get_mut(index) {
                page.items.extend(items);
            }
        }
        (self.out, self.typesetter)
    }

    /// A text from the left margin on, as much as fits, and a line up to the right one.
    fn both_sides(&mut self, left: &str, right: Line, y: f32) -> Vec<Item> {
        let room = self.room() - right.width - 20.0;
        let left = self.typesetter.fitted(left, NOTE, room);
        let x = self.size.0 - SIDE - right.width;
        vec![
            Item::Text {
                x: SIDE,
                y,
                line: left,
            },
            Item::Text { x, y, line: right },
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn count(flow: &Flow, page: usize) -> usize {
        flow.out.all[page].items.len()
    }

    /// Room for a heading and two lines is left; what follows needs more.
    #[test]
    fn a_heading_goes_to_the_next_page_with_what_it_stands_over() {
        let mut flow = Flow::new(Paper::A4).unwrap();
        flow.text("before", BODY);
        flow.advance(flow.left_below() - 60.0);
        flow.section("Heading", 20.0);
        assert_eq!((flow.out.all.len(), count(&flow, 0)), (1, 2));
        flow.need(100.0);
        assert_eq!((count(&flow, 0), count(&flow, 1)), (1, 1));
        assert!(flow.y() > TOP);
        // With a line laid under it, it stays.
        flow.advance(flow.left_below() - 80.0);
        flow.section("Another", 20.0);
        flow.text("under it", BODY);
        flow.need(100.0);
        assert_eq!(flow.out.all.len(), 3);
        assert_eq!((count(&flow, 1), count(&flow, 2)), (3, 0));
    }

    #[test]
    fn a_chapter_begins_on_the_page_of_another_only_where_much_is_left() {
        let mut flow = Flow::new(Paper::A4).unwrap();
        flow.chapter("One");
        flow.advance(0.5 * flow.height());
        flow.chapter_below("Two");
        assert_eq!(flow.out.all.len(), 2);
        assert_eq!(flow.out.all[1].chapter.as_deref(), Some("One · Two"));
        flow.advance(0.3 * flow.height());
        flow.chapter_below("Three");
        assert_eq!(flow.out.all.len(), 3);
        assert_eq!(flow.out.all[2].chapter.as_deref(), Some("Three"));
    }
}
