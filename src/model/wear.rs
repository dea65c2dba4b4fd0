//! What an eMMC says of its own wear: EXT_CSD bytes 267 to 269 (JEDEC JESD84-B50, eMMC 5.0), as the kernel writes them
//! (Linux, Documentation/ABI/testing/sysfs-bus-mmc and drivers/mmc/core/mmc.c). Never guesses: a value that the
//! standard does not define is not known.

use serde::Serialize;

/// From this step on an eMMC is to be replaced: 80 to 90 % of its life is used.
const WORN_FROM: u8 = 0x09;
/// The step of one that has used more than its life.
const EXCEEDED: u8 = 0x0B;

/// How far the blocks that an eMMC holds in reserve are used up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Reserve {
    /// Normal.
    Normal,
    /// 80 % of them are used.
    Warning,
    /// Nearly all are.
    Urgent,
}

/// An eMMC's own estimate.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Wear {
    /// Steps of 10 % of its life that it has begun to use, 1 to 10, and 11 beyond its life; the worse of its two kinds
    /// of memory.
    #[serde(rename = "life_tenths")]
    pub tenths: Option<u8>,
    /// Its blocks in reserve.
    pub reserve: Option<Reserve>,
}

impl Wear {
    /// Reads the kernel's files `life_time` and `pre_eol_info`.
    pub fn read(life_time: &str, pre_eol_info: &str) -> Self {
        let is_defined = |step: &u8| (1..=EXCEEDED).contains(step);
        let steps = life_time.split_whitespace().take(2).filter_map(number).filter(is_defined);
        let reserve = match number(pre_eol_info.trim()) {
            Some(1) => Some(Reserve::Normal),
            Some(2) => Some(Reserve::Warning),
            Some(3) => Some(Reserve::Urgent),
            _ => None,
        };
        Self { tenths: steps.max(), reserve }
    }

    /// Whether it should be replaced soon.
    pub fn is_worn(self) -> bool {
        self.tenths >= Some(WORN_FROM) || self.reserve == Some(Reserve::Urgent)
    }

    /// Whether it has used more than its life.
    pub fn is_exceeded(self) -> bool {
        self.tenths == Some(EXCEEDED)
    }
}

fn number(text: &str) -> Option<u8> {
    u8::from_str_radix(text.strip_prefix("0x")?, 16).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worse_of_both_counts_and_what_is_not_defined_is_not_known() {
        let wear = |life: &str, eol: &str| Wear::read(life, eol);
        let eight = wear("0x01 0x08\n", "0x01\n");
        assert_eq!((eight.tenths, eight.reserve), (Some(8), Some(Reserve::Normal)));
        assert!(!eight.is_worn() && !wear("0x08 0x08", "0x02").is_worn());
        assert!(wear("0x09 0x01", "0x01").is_worn() && !wear("0x09 0x01", "0x01").is_exceeded());
        assert!(wear("0x01 0x0b", "0x01").is_exceeded() && wear("0x01 0x0B", "0x01").is_worn());
        assert!(wear("0x01 0x01", "0x03").is_worn());
        let long = "0x01 ".repeat(1 << 16);
        for odd in ["", "0x00 0x00", "0x0c 0xff", "9 9", "0x", "-0x1", "\0\0", "0x1ff", "\u{2028}"]
        {
            assert_eq!(wear(odd, odd), Wear::default(), "{odd:?}");
        }
        assert_eq!(wear(&long, &long), Wear { tenths: Some(1), reserve: None });
    }
}
