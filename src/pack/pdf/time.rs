//! The time that the document states.

use jiff::fmt::temporal::Pieces;
use krilla::metadata::DateTime;

/// The user's time as the document's; `None` where it is no date as ISO 8601 writes it.
///
/// A time without an offset is taken as it stands, at offset zero, because PDF/A
/// wants one and the clock of this machine is not asked.
pub(super) fn document_time(text: &str) -> Option<DateTime> {
    let pieces = Pieces::parse(text.trim()).ok()?;
    let date = pieces.date();
    let time = pieces.time().unwrap_or_default();
    let offset_s = pieces
        .to_numeric_offset()
        .map_or(0, jiff::tz::Offset::seconds);
    let small = |value: i8| u8::try_from(value).unwrap_or(0);
    let hours = i8::try_from(offset_s / 3600).unwrap_or(0);
    let minutes = u8::try_from((offset_s.abs() % 3600) / 60).unwrap_or(0);
    Some(
        DateTime::new(u16::try_from(date.year()).ok()?)
            .month(small(date.month()))
            .day(small(date.day()))
            .hour(small(time.hour()))
            .minute(small(time.minute()))
            .second(small(time.second()))
            .utc_offset_hour(hours)
            .utc_offset_minute(minutes),
    )
}

/// What stands for a time that nobody gave: PDF/A wants a date, and the clock is not
/// read. 1 January 2000, as in the workbook; no page prints it.
pub(super) fn no_time() -> DateTime {
    DateTime::new(2000)
        .month(1)
        .day(1)
        .utc_offset_hour(0)
        .utc_offset_minute(0)
}
