//! Compares the copies of a station's mail with two published rules for keeping files: three copies on two kinds of
//! media with one elsewhere (US-CERT, 2012), and the Levels of Digital Preservation of the NDSA (version 1, 2013).
//! Claims no more than was read back, or declared by the operator.

use super::medium::Medium;

/// What is known of the copies of a station's mail.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PreservationFacts {
    /// Drives with a good copy of even the worst protected message; the card is not among them.
    pub fewest: u32,
    /// How the mailbox and the drives with messages are attached.
    pub media: Vec<Medium>,
    /// Whether every message has a good copy on a drive that the operator declared to be elsewhere.
    pub elsewhere: bool,
    /// Whether every good copy was read again, after the mount that made it, within the interval set for that.
    pub read_again: bool,
}

/// The published number of copies, of kinds of media, of copies elsewhere.
pub const RULE: (u32, usize, u32) = (3, 2, 1);

impl PreservationFacts {
    /// Complete copies, including the mailbox itself.
    pub fn copies(&self) -> u32 {
        self.fewest + 1
    }

    /// Kinds of media.
    pub fn kinds(&self) -> usize {
        let mut media = self.media.clone();
        media.sort_unstable();
        media.dedup();
        media.len()
    }

    /// Complete copies elsewhere, as declared: none or one.
    pub fn elsewhere(&self) -> u32 {
        u32::from(self.elsewhere)
    }

    /// The NDSA's level of storage: 1, two complete copies that are not together; 2, three, one of them in another
    /// place. No program can check what the higher levels require of a place.
    pub fn storage_level(&self) -> u32 {
        match (self.copies(), self.elsewhere) {
            (3.., true) => 2,
            (2, true) => 1,
            _ => 0,
        }
    }

    /// The NDSA's level of fixity: 1 and 2, everything is checked on arrival; 3, checked at fixed intervals, with a
    /// log, and damage is found. The fourth also requires that no one person can write to all copies.
    pub fn fixity_level(&self) -> u32 {
        if self.read_again { 3 } else { 2 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The card and one stick here, none declared away (check value 65).
    #[test]
    fn a_card_and_a_stick_beside_it() {
        let kept = PreservationFacts {
            fewest: 1,
            media: vec![Medium::Card, Medium::Usb],
            ..PreservationFacts::default()
        };
        assert_eq!((kept.copies(), kept.kinds(), kept.elsewhere()), (2, 2, 0));
        assert_eq!((kept.storage_level(), kept.fixity_level()), (0, 2));
    }

    /// The card and two sticks, one declared away, all re-read (check value 66).
    #[test]
    fn a_card_and_two_sticks_of_which_one_is_away() {
        let media = vec![Medium::Card, Medium::Usb, Medium::Usb];
        let kept = PreservationFacts { fewest: 2, media, elsewhere: true, read_again: true };
        assert_eq!((kept.copies(), kept.kinds(), kept.elsewhere()), (3, 2, 1));
        assert_eq!((kept.storage_level(), kept.fixity_level()), (2, 3));
    }

    #[test]
    fn what_is_on_no_drive_is_one_copy_on_one_kind() {
        let kept = PreservationFacts { media: vec![Medium::Card], ..PreservationFacts::default() };
        assert_eq!((kept.copies(), kept.kinds(), kept.storage_level()), (1, 1, 0));
    }
}
