//! Numbers that are nothing but digits and a mark, all of their digits put together at once.

use super::number::{EXACT, POWERS};

/// Most characters of a number that is read in one piece.
pub(super) const WIDEST: usize = 16;

/// A byte of each eight, and of each sixteen.
pub(super) const ONES: u64 = u64::from_le_bytes([1; 8]);
pub(super) const WIDE_ONES: u128 = u128::from_le_bytes([1; WIDEST]);

/// Sets the highest bit of the first byte that is a certain one; those of the bytes behind it may be
/// wrong.
#[inline]
pub(super) const fn equal_to(chunk: u64, byte: u8) -> u64 {
    let zero = chunk ^ (ONES * byte as u64);
    zero.wrapping_sub(ONES) & !zero
}

/// The first byte of the eight from `at` on of which `found` sets the highest bit; of those
/// behind it the bits may be wrong.
#[inline]
pub(super) fn first_in_eight(input: &[u8], at: usize, found: impl Fn(u64) -> u64) -> Option<usize> {
    let bits = found(u64::from_le_bytes(*input.get(at..)?.first_chunk()?)) & (ONES * 0x80);
    (bits != 0).then(|| at + bits.trailing_zeros() as usize / 8)
}

/// The same of sixteen bytes.
#[inline]
pub(super) fn first_of(input: &[u8], at: usize, found: impl Fn(u64) -> u64) -> Option<usize> {
    first_in_eight(input, at, &found).or_else(|| first_in_eight(input, at + 8, &found))
}

/// Of the values of digits and other bytes the bits that only the others have.
///
/// Digits less `0` are their values, and any other byte has more than four bits then, as it
/// is or with six more; a byte beyond ASCII may spill over into the next one, but is none
/// itself.
#[inline]
pub(super) const fn no_digits(values: u64) -> u64 {
    (values.wrapping_add(ONES * 6) | values) & (ONES * 0xF0)
}

/// [`no_digits`] of sixteen bytes.
#[inline]
pub(super) const fn wide_no_digits(values: u128) -> u128 {
    (values.wrapping_add(WIDE_ONES * 6) | values) & (WIDE_ONES * 0xF0)
}

/// The number that is nothing but digits and a mark from `start` to `end`.
#[inline]
pub(super) fn bare<const MARK: u8>(input: &[u8], start: usize, end: usize) -> Option<f64> {
    let rest = input.get(start..)?;
    let bits = 8 * (end - start) as u32;
    if bits <= 64 {
        // No characters are no number.
        let free = 64 - bits;
        let text = u64::from_le_bytes(*rest.first_chunk()?).checked_shl(free)?;
        number_of::<MARK>(text, free)
    } else {
        let free = 128_u32.checked_sub(bits)?;
        let text = u128::from_le_bytes(*rest.first_chunk()?) << free;
        wide_number_of::<MARK>(text, free)
    }
}

/// The number written in the highest bytes, of which as many bits are `free` as are none of it.
///
/// One byte that is no digit may be the mark: the digits before it move to where it was. Whole
/// numbers up to 2^53 and powers of ten up to 10^22 are exact as doubles, so that their
/// quotient is rounded once and is the double nearest to the text.
#[inline]
fn number_of<const MARK: u8>(text: u64, free: u32) -> Option<f64> {
    let values = text ^ ((ONES * 0x30) << free);
    let others = no_digits(values);
    if others == 0 {
        return Some(of_eight(values) as f64);
    }
    let place = others.trailing_zeros() & !7;
    let before = (1 << place) - 1;
    let behind = !((before << 8) | 0xFF);
    let is_alone = free == 56;
    if (values >> place) as u8 != MARK ^ 0x30 || others & behind != 0 || is_alone {
        return None;
    }
    let digits = ((values & before) << 8) | (values & behind);
    Some(of_eight(digits) as f64 / *POWERS.get((56 - place) as usize / 8)?)
}

/// [`number_of`] more than eight bytes.
#[inline]
fn wide_number_of<const MARK: u8>(text: u128, free: u32) -> Option<f64> {
    let values = text ^ ((WIDE_ONES * 0x30) << free);
    let others = wide_no_digits(values);
    let place = others.trailing_zeros() & !7;
    let (digits, decimals) = if others == 0 {
        (values, 0)
    } else {
        let before = (1 << place) - 1;
        let behind = !((before << 8) | 0xFF);
        if (values >> place) as u8 != MARK ^ 0x30 || others & behind != 0 {
            return None;
        }
        let digits = ((values & before) << 8) | (values & behind);
        (digits, (120 - place) as usize / 8)
    };
    let number = of_sixteen(digits);
    (number <= EXACT).then_some(number as f64 / *POWERS.get(decimals)?)
}

/// The number that sixteen digits write, as [`of_eight`] does.
#[inline]
pub(super) const fn of_sixteen(values: u128) -> u64 {
    let (first, last) = (values as u64, (values >> 64) as u64);
    let number = of_eight(last);
    if first == 0 {
        return number;
    }
    number + of_eight(first) * 100_000_000
}

/// The number that eight digits write, their values in the bytes, the first one lowest:
/// two, four and eight of them are put together at a time.
#[inline]
pub(super) const fn of_eight(values: u64) -> u64 {
    let pairs = (values.wrapping_mul((10 << 8) | 1) >> 8) & 0x00FF_00FF_00FF_00FF;
    let fours = (pairs.wrapping_mul((100 << 16) | 1) >> 16) & 0x0000_FFFF_0000_FFFF;
    fours.wrapping_mul((10_000 << 32) | 1) >> 32
}
