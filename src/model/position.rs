//! Points in the histories of writers, as ledger lines name them. Does not know which comes after which.

use super::ids::WriterId;
use super::limits::COUNT_MAX;
use std::fmt;
use std::str::FromStr;

/// A point in the history of one writer.
///
/// A writer is one run of a program that changes something. A copied or restored card draws a new one when it begins,
/// so that two cards never write as the same (Bieniusa et al. 2012, "An optimized conflict-free replicated set").
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Position {
    /// Whose change it is.
    pub writer: WriterId,
    /// The number of the writer's last change; it grows within a writer, and from a parent to its child.
    pub n: u64,
}

impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.writer, self.n)
    }
}

impl FromStr for Position {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        let (writer, n) = text.split_once(':').ok_or(())?;
        let n = n.parse().ok().filter(|n| *n <= COUNT_MAX).ok_or(())?;
        Ok(Self { writer: writer.parse().map_err(|_| ())?, n })
    }
}

impl serde::Serialize for Position {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> serde::Deserialize<'de> for Position {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map_err(|()| serde::de::Error::custom("a writer and a number are needed"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn positions_read_back() {
        let at = Position { writer: WriterId::from_bits(10), n: 42 };
        assert_eq!(at.to_string(), "000000000000000a:42");
        assert_eq!("000000000000000a:42".parse(), Ok(at));
        for wrong in
            ["", ":", "000000000000000a", "000000000000000a:-1", "a:1", "x:9007199254740993"]
        {
            assert_eq!(wrong.parse::<Position>(), Err(()), "{wrong}");
        }
    }
}
