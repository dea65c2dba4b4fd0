//! What is written to the card and how worn it is, in sentences. Never part of the verdict: the mail may be safe on a
//! card that is nearly used up.

use super::size;
use crate::disk::mounts::CardKind;
use crate::job::report::card_use::CardUse;
use crate::model::Reserve;

/// What an audit says of the card.
pub(super) fn lines(card: &CardUse) -> Vec<String> {
    let mut lines = Vec::new();
    lines.push(match (card.written_since_boot, card.written_ever) {
        (Some(boot), Some(ever)) => format!(
            "Written to the card by all programs: {} since the board was started, {} since its file system was made.",
            size(boot),
            size(ever)
        ),
        (Some(boot), None) => format!(
            "Written to the card by all programs: {} since the board was started.",
            size(boot)
        ),
        (None, Some(ever)) => format!(
            "Written to the card by all programs: {} since its file system was made.",
            size(ever)
        ),
        (None, None) => "How much is written to the card is not known: the system does not count it.".to_owned(),
    });
    if let Some(bytes) = card.written_by_program {
        lines.push(format!(
            "Written by this program to the card and to sticks, since it was started: {}.",
            size(bytes)
        ));
    }
    lines.push(match (card.kind, card.wear.tenths) {
        (_, Some(_)) if card.wear.is_exceeded() => {
            "The card says that it has used more than its life.".to_owned()
        }
        (_, Some(tenths)) => format!(
            "The card says that it has used {} to {} % of its life.",
            (tenths - 1) * 10,
            tenths * 10
        ),
        (Some(CardKind::Sd), None) => "An SD card does not say how worn it is.".to_owned(),
        (_, None) => "How worn this card is is not known.".to_owned(),
    });
    match card.wear.reserve {
        Some(Reserve::Warning) => {
            lines.push("The card has used 80 % of its blocks in reserve.".to_owned())
        }
        Some(Reserve::Urgent) => {
            lines.push("The card has used nearly all of its blocks in reserve.".to_owned())
        }
        Some(Reserve::Normal) | None => {}
    }
    lines
}

/// What is said of a card that is to be replaced.
pub(in crate::cli) fn warning(card: &CardUse) -> Option<String> {
    card.is_worn.then(|| {
        "The card is nearly worn out. Copy the system to a new card soon, and keep the sticks up to date.".to_owned()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Wear;

    fn emmc(life_time: &str, pre_eol_info: &str) -> CardUse {
        let wear = Wear::read(life_time, pre_eol_info);
        CardUse { kind: Some(CardKind::Emmc), wear, is_worn: wear.is_worn(), ..CardUse::default() }
    }

    #[test]
    fn a_worn_card_is_warned_of_from_the_ninth_step_or_an_urgent_reserve_on() {
        let said = |card: &CardUse| lines(card).join(" ");
        assert!(said(&emmc("0x08 0x01", "0x02")).contains("70 to 80 % of its life"));
        assert!(said(&emmc("0x08 0x01", "0x02")).contains("80 % of its blocks in reserve"));
        assert_eq!(warning(&emmc("0x08 0x01", "0x02")), None);
        assert!(said(&emmc("0x01 0x09", "0x01")).contains("80 to 90 % of its life"));
        assert!(said(&emmc("0x0b 0x0b", "0x03")).contains("more than its life"));
        for (life_time, reserve) in
            [("0x01 0x09", "0x01"), ("0x0b 0x0b", "0x01"), ("0x01 0x01", "0x03")]
        {
            assert!(warning(&emmc(life_time, reserve)).unwrap().contains("nearly worn out"));
        }
    }

    #[test]
    fn what_is_not_known_is_said_so() {
        let nothing = CardUse::default();
        let said = lines(&nothing);
        assert_eq!(said.len(), 2, "{said:?}");
        assert!(said.iter().all(|line| line.contains("not known")), "{said:?}");
        assert_eq!(warning(&nothing), None);
        let sd = CardUse { kind: Some(CardKind::Sd), written_ever: Some(1 << 30), ..nothing };
        assert!(lines(&sd).iter().any(|line| line == "An SD card does not say how worn it is."));
        assert!(lines(&sd)[0].contains("1.0 GiB since its file system was made"), "{sd:?}");
        let counted =
            CardUse { written_since_boot: Some(4096), written_by_program: Some(512), ..sd };
        assert!(lines(&counted)[0].contains("4.0 KiB since the board was started"));
        assert!(lines(&counted)[1].contains("512 B"));
    }
}
