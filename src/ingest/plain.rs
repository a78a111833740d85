//! Plain numbers, fast: a minus or none, one to eight digits, and up to eight more behind the
//! decimal mark, as nearly every cell of a dyno's file is written. All else is for [`super::number`].
//!
//! Sixty-four bytes are looked at together for those that are no digits; from then on it is
//! known where every number in them ends, and none is read byte by byte.

use wide::u8x64;

/// Bytes looked at together.
const AHEAD: usize = 64;

/// Digits are fetched eight at a time, counted back from the end of the number.
const EIGHT: usize = 8;

/// Bytes held: those looked at, eight before them, and room for every place with eight bytes.
const SIZE: usize = AHEAD + 2 * EIGHT;

/// Most bytes of a plain number and the one after it: a sign, eight digits, the mark, eight
/// digits.
const LONGEST: usize = 19;

/// Largest integer up to which every integer is a double.
pub(super) const EXACT: u64 = 1 << 53;

/// 10⁰ … 10⁸.
pub(super) const TENS: [u64; 9] = [
    1,
    10,
    100,
    1000,
    10_000,
    100_000,
    1_000_000,
    10_000_000,
    100_000_000,
];

/// 10⁰ … 10²², the powers a double holds exactly.
pub(super) const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// Keeps the values of the last n digits of eight, for n from 0 to 8.
const LAST: [u64; 9] = {
    let mut masks = [0; 9];
    let mut n = 1;
    while n <= EIGHT {
        masks[n] = 0x0f0f_0f0f_0f0f_0f0f << (64 - 8 * n);
        n += 1;
    }
    masks
};

/// A plain number. Correctly rounded: a whole number up to 2⁵³ and a small power of ten are
/// doubles, and their quotient is exact but for its one rounding (W. D. Clinger, How to read
/// floating point numbers accurately, PLDI 1990).
pub(super) struct Plain {
    pub(super) value: f64,
    /// Where it ends.
    pub(super) end: usize,
    /// The byte there: an exponent may follow.
    pub(super) next: u8,
}

/// How a number is written: most often as the one above it in its column, and then neither its
/// digits nor its places have to be counted.
#[derive(Debug, Clone, Copy)]
pub(super) struct Habit {
    /// The bits of its bytes and of the one after it.
    stretch: u64,
    /// Those where no digit stands.
    marks: u64,
    /// The sign bit, set if it has a minus.
    sign: u64,
    /// Where its decimal mark stands, or the byte after it if there is none.
    mark: usize,
    at_mark: u8,
    /// Where the byte after its decimals stands if there is a mark.
    after: usize,
    /// Where the byte after it stands.
    end: usize,
    /// Keeps all its digits if there are less than eight, or nothing.
    digits: u64,
    /// Keep its whole digits and its decimals.
    whole: u64,
    decimals: u64,
    /// Ten to the power of its decimals.
    shift: u64,
    power: f64,
}

impl Default for Habit {
    /// The habit of no number.
    fn default() -> Self {
        Self {
            stretch: 0,
            marks: 1,
            sign: 0,
            mark: 0,
            at_mark: 0,
            after: 0,
            end: 0,
            digits: 0,
            whole: 0,
            decimals: 0,
            shift: 1,
            power: 1.0,
        }
    }
}

/// A stretch of a text in which it is known where no digits stand.
pub(super) struct Window<'a> {
    text: &'a [u8],
    /// Place in the text of the first byte looked at.
    from: usize,
    /// Eight bytes before that, and what follows.
    bytes: &'a [u8; SIZE],
    /// Bit by bit: here stands no digit.
    marks: u64,
}

impl<'a> Window<'a> {
    /// Opens a window at a place. At the first few bytes of the text and at the last, no number
    /// is found in it.
    #[inline]
    pub(super) fn open(text: &'a [u8], from: usize) -> Self {
        const NOTHING: &[u8; SIZE] = &[0; SIZE];
        let there = from
            .checked_sub(EIGHT)
            .and_then(|before| text.get(before..));
        let bytes = there
            .and_then(<[u8]>::first_chunk::<SIZE>)
            .unwrap_or(NOTHING);
        let ahead = bytes.get(EIGHT..).and_then(<[u8]>::first_chunk::<AHEAD>);
        let off = u8x64::new(ahead.copied().unwrap_or([0; AHEAD])) - u8x64::splat(b'0');
        Self {
            text,
            from,
            bytes,
            marks: !off.min(u8x64::splat(9)).simd_eq(off).to_bitmask(),
        }
    }

    #[inline]
    fn byte(&self, at: usize) -> u8 {
        self.bytes[EIGHT + at % AHEAD]
    }

    /// The eight bytes before a place, the first of them least.
    #[inline]
    fn eight_before(&self, at: usize) -> u64 {
        let bytes = self.bytes.get(at % AHEAD..);
        bytes
            .and_then(<[u8]>::first_chunk::<EIGHT>)
            .map_or(0, |b| u64::from_le_bytes(*b))
    }

    /// The plain number at a place of the text. `None` says only that it is not plain.
    #[inline(always)]
    pub(super) fn number(&mut self, place: usize, decimal: u8, habit: &mut Habit) -> Option<Plain> {
        if place.wrapping_sub(self.from) > AHEAD - LONGEST {
            *self = Self::open(self.text, place);
        }
        let at = place - self.from;
        let marks = self.marks >> (at % AHEAD);
        if marks & habit.stretch != habit.marks || self.byte(at + habit.mark) != habit.at_mark {
            *habit = self.habit(at, marks, decimal)?;
        }
        if habit.sign != 0 && self.byte(at) != b'-' {
            return None;
        }
        // Where there is no mark, the byte after the digits stands in its place.
        let last = self.eight_before(at + habit.after);
        let number = if habit.digits != 0 {
            // Up to seven digits and the mark: moved up by one byte, the whole ones stand
            // right before the others.
            let moved = last << 8;
            eight_digits(((last ^ moved) & habit.decimals ^ moved) & habit.digits)
        } else {
            let whole = eight_digits(self.eight_before(at + habit.mark) & habit.whole);
            let number = whole * habit.shift + eight_digits(last & habit.decimals);
            if number > EXACT {
                return None;
            }
            number
        };
        // As a signed integer: one instruction.
        let value = number as i64 as f64 / habit.power;
        let end = at + habit.end;
        Some(Plain {
            value: f64::from_bits(value.to_bits() | habit.sign),
            end: self.from + end,
            next: self.byte(end),
        })
    }

    /// How the number at a place is written; `None` if it is not plain.
    #[inline(never)]
    fn habit(&self, at: usize, marks: u64, decimal: u8) -> Option<Habit> {
        let sign = marks & 1;
        let start = sign as usize;
        let unsigned = marks >> sign;
        let whole = unsigned.trailing_zeros() as usize;
        let mark = start + whole;
        let (places, end) = if self.byte(at + mark) == decimal {
            let next = (unsigned & unsigned.wrapping_sub(1)).trailing_zeros() as usize;
            (next.wrapping_sub(whole + 1), start + next)
        } else {
            (0, mark)
        };
        if whole.wrapping_sub(1) >= EIGHT || places > EIGHT {
            return None;
        }
        let stretch = (2 << end) - 1;
        Some(Habit {
            stretch,
            marks: marks & stretch,
            sign: sign << 63,
            mark,
            at_mark: self.byte(at + mark),
            after: mark + 1 + places,
            end,
            digits: LAST
                .get(whole + places)
                .copied()
                .filter(|_| whole + places < EIGHT)
                .unwrap_or(0),
            whole: *LAST.get(whole)?,
            decimals: *LAST.get(places)?,
            shift: *TENS.get(places)?,
            power: *POWERS.get(places)?,
        })
    }
}

/// The number that eight digits make, the first in the lowest byte. Pairs, then fours, then
/// eights are joined by multiplying and shifting (L. Lamport, Multiple byte processing with
/// full-word instructions, Commun. ACM 18, 1975, gives the kind of trick).
#[inline]
pub(super) fn eight_digits(word: u64) -> u64 {
    let pairs = word.wrapping_mul(2561) >> 8;
    let fours = (pairs & 0x00ff_00ff_00ff_00ff).wrapping_mul(6_553_601) >> 16;
    (fours & 0x0000_ffff_0000_ffff).wrapping_mul(42_949_672_960_001) >> 32
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use proptest::test_runner::RngSeed;

    /// The plain number at the start of a text, with other text before and behind.
    fn read(text: &str, decimal: u8) -> Option<(f64, usize)> {
        let mut habit = Habit::default();
        for before in ["\n1.5,7.25,", ",\"-9,12,", "12345678"] {
            let line = format!("{before}{text}{}", ",0.125,12\n".repeat(9));
            let found = Window::open(line.as_bytes(), before.len()).number(
                before.len(),
                decimal,
                &mut habit,
            );
            let here = found.map(|plain| {
                assert_eq!(plain.next, line.as_bytes()[plain.end]);
                (plain.value, plain.end - before.len())
            });
            if here.is_none() || before.ends_with('8') {
                return here;
            }
        }
        None
    }

    #[test]
    fn what_is_not_plain_is_left_alone() {
        for text in [
            "",
            "-",
            "+",
            ".",
            "-.",
            "+1.5",
            " 1.5",
            "\"1.5\"",
            "--1",
            "e5",
            "nan",
            "inf",
            "123456789",
            "0.123456789",
            "99999999.99999999",
            "−1.5",
            "(1.5)",
        ] {
            assert_eq!(read(text, b'.'), None, "{text}");
        }
    }

    #[test]
    fn the_ends_of_the_text_are_left_alone() {
        let text = b"1.5,2.5\n";
        assert!((0..12).all(|at| {
            Window::open(text, at)
                .number(at, b'.', &mut Habit::default())
                .is_none()
        }));
    }

    // The standard library reads decimals to the nearest double (IEEE 754, round to nearest
    // even); every bit must agree wherever a number is taken as plain, and the plain ones
    // are to be taken.
    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]

        #[test]
        fn every_plain_number_is_read_to_the_nearest_double(negative in any::<bool>(), whole in "[0-9]{0,8}", fraction in "[0-9]{0,8}", marked in any::<bool>(), comma in any::<bool>(), after in "[,;\t\r\n e]") {
            let mark = if comma { "," } else { "." };
            let mut text = format!("{}{whole}", if negative { "-" } else { "" });
            if marked || !fraction.is_empty() {
                text = format!("{text}{mark}{fraction}");
            }
            let wanted = text.replace(',', ".").parse::<f64>();
            let used = text.len();
            // A mark right after a number without one would be its decimal mark.
            let after = if after == mark { ";" } else { after.as_str() };
            let got = read(&format!("{text}{after}"), mark.as_bytes()[0]);
            match wanted {
                Ok(value) if !whole.is_empty() && format!("{whole}{fraction}").parse().is_ok_and(|m: u64| m <= EXACT) => {
                    prop_assert_eq!(got.map(|(v, n)| (v.to_bits(), n)), Some((value.to_bits(), used)));
                }
                _ => prop_assert_eq!(got, None),
            }
        }

        #[test]
        fn whatever_is_taken_is_right(text in "[-+]{0,2}[0-9 ]{0,12}[.,e]?[0-9.,'eE+-]{0,25}[,; a-z]?") {
            let ended = format!("{text};");
            for (decimal, mark) in [(b'.', "."), (b',', ",")] {
                if let Some((value, used)) = read(&ended, decimal) {
                    let wanted: f64 = ended[..used].replace(mark, ".").parse().unwrap();
                    prop_assert_eq!(value.to_bits(), wanted.to_bits());
                    let next = ended[used..].chars().next().unwrap();
                    prop_assert!(!next.is_ascii_digit());
                }
            }
        }

        #[test]
        fn one_window_reads_a_whole_line(numbers in proptest::collection::vec((any::<i32>(), 0_usize..7), 1..40)) {
            let cells: Vec<String> = numbers.iter().map(|(n, places)| format!("{:.*}", *places, f64::from(*n) / 1e4)).collect();
            let line = format!("{}{}\n{}", " ".repeat(EIGHT), cells.join(";"), " ".repeat(SIZE));
            let mut window = Window::open(line.as_bytes(), EIGHT);
            let mut habit = Habit::default();
            let mut at = EIGHT;
            for cell in &cells {
                let plain = window.number(at, b'.', &mut habit).unwrap();
                let end = plain.end;
                prop_assert_eq!(plain.value.to_bits(), cell.parse::<f64>().unwrap().to_bits());
                prop_assert_eq!(&line[at..end], cell.as_str());
                at = end + 1;
            }
        }
    }
}
