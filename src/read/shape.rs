//! The shape of a number: where its sign, its digits and its decimal mark stand.

use super::bare::{ONES, WIDE_ONES, WIDEST, no_digits, of_eight, of_sixteen, wide_no_digits};
use super::number::{EXACT, POWERS};

/// Where the sign, the digits and the decimal mark of a number stand, in the last sixteen
/// bytes up to its end, the first byte lowest.
#[derive(Debug)]
pub(super) struct Shape {
    /// Bytes of the digits before and behind the mark.
    whole: u128,
    decimals: u128,
    /// Bytes of mark and sign, and what they are.
    marks: u128,
    marked: u128,
    /// Whether it has no more than eight characters.
    is_narrow: bool,
    /// Ten to the power of the number of decimals, with the number's sign.
    power: f64,
}

impl Shape {
    /// The shape of a number that is nothing but digits, a mark and a minus sign.
    pub(super) fn of(text: &[u8], mark: u8) -> Option<Self> {
        let free = WIDEST.checked_sub(text.len())?;
        let point = text.iter().position(|b| *b == mark);
        let power = *POWERS.get(text.len() - point.map_or(text.len(), |point| point + 1))?;
        let mut shape = Self {
            whole: 0,
            decimals: 0,
            marks: 0,
            marked: 0,
            is_narrow: text.len() <= 8,
            power: if text.first() == Some(&b'-') {
                -power
            } else {
                power
            },
        };
        for (index, byte) in text.iter().enumerate() {
            let place = 8 * (free + index);
            let here = 0xFF << place;
            if byte.is_ascii_digit() {
                match point {
                    Some(point) if point < index => shape.decimals |= here,
                    _ => shape.whole |= here,
                }
            } else if Some(index) == point || index == 0 && *byte == b'-' {
                shape.marks |= here;
                shape.marked |= u128::from(*byte) << place;
            } else {
                return None;
            }
        }
        // Without a mark the digits stand where a mark would leave them.
        if point.is_none() {
            (shape.whole, shape.decimals) = (0, shape.whole);
        }
        (shape.whole | shape.decimals != 0).then_some(shape)
    }

    /// The number of this shape that ends at `end`.
    ///
    /// Whole numbers up to 2^53 and powers of ten up to 10^22 are exact as doubles, so
    /// that their quotient is rounded once and is the double nearest to the text.
    #[expect(
        clippy::inline_always,
        reason = "called twice a row; saves a tenth of the time of reading rows"
    )]
    #[inline(always)]
    pub(super) fn read(&self, input: &[u8], end: usize) -> Option<f64> {
        let (number, is_whole) = if self.is_narrow {
            let bytes = input.get(end.checked_sub(8)?..end)?;
            let (number, is_whole) = self.of_eight(u64::from_le_bytes(*bytes.first_chunk()?));
            // Eight digits fit into 32 bits, which become a double in one instruction.
            (f64::from(number as u32), is_whole)
        } else {
            let bytes = input.get(end.checked_sub(WIDEST)?..end)?;
            let (number, is_whole) = self.of_sixteen(u128::from_le_bytes(*bytes.first_chunk()?));
            (number as f64, is_whole)
        };
        is_whole.then(|| number / self.power)
    }

    /// All digits of a number in its last sixteen bytes, and whether it has this shape and is no
    /// greater than doubles are exact.
    #[inline]
    fn of_sixteen(&self, chunk: u128) -> (u64, bool) {
        let values = chunk ^ (WIDE_ONES * 0x30);
        let others = wide_no_digits(values) & (self.whole | self.decimals);
        // The digits before the mark move to where it was.
        let digits = ((values & self.whole) << 8) | (values & self.decimals);
        let number = of_sixteen(digits);
        let is_whole = others == 0 && chunk & self.marks == self.marked && number <= EXACT;
        (number, is_whole)
    }

    /// [`Self::of_sixteen`] of the last eight bytes of a narrow one.
    #[inline]
    fn of_eight(&self, chunk: u64) -> (u64, bool) {
        let last = |bytes: u128| (bytes >> 64) as u64;
        let (whole, decimals) = (last(self.whole), last(self.decimals));
        let values = chunk ^ (ONES * 0x30);
        let others = no_digits(values) & (whole | decimals);
        let others = others | (chunk & last(self.marks) ^ last(self.marked));
        let digits = ((values & whole) << 8) | (values & decimals);
        (of_eight(digits), others == 0)
    }
}
