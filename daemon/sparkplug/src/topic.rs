//! Topics: `spBv1.0/GROUP/KIND/NODE[/DEVICE]`, and `spBv1.0/STATE/HOST`.

/// The root of every topic.
pub const NAMESPACE: &str = "spBv1.0";

/// What a message is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "the specification's own words")]
pub enum Kind {
    NBirth,
    NData,
    NDeath,
    NCmd,
    DBirth,
    DData,
    DDeath,
    DCmd,
}

impl Kind {
    /// As it stands in a topic.
    pub const fn text(self) -> &'static str {
        match self {
            Self::NBirth => "NBIRTH",
            Self::NData => "NDATA",
            Self::NDeath => "NDEATH",
            Self::NCmd => "NCMD",
            Self::DBirth => "DBIRTH",
            Self::DData => "DDATA",
            Self::DDeath => "DDEATH",
            Self::DCmd => "DCMD",
        }
    }
}

/// The topic of an edge node's message, or of one about a device of it.
pub fn of(group: &str, kind: Kind, node: &str, device: Option<&str>) -> String {
    let kind = kind.text();
    match device {
        None => format!("{NAMESPACE}/{group}/{kind}/{node}"),
        Some(device) => format!("{NAMESPACE}/{group}/{kind}/{node}/{device}"),
    }
}

/// The topic where a host says whether it is there.
pub fn state(host: &str) -> String {
    format!("{NAMESPACE}/STATE/{host}")
}

/// What may not be part of a topic's name: `/`, `+` and `#` separate and stand for names, U+0000 is refused by MQTT, and brokers
/// may close a connection over other control characters (MQTT 5.0, 1.5.4).
pub fn forbidden(id: &str) -> Option<char> {
    id.chars()
        .find(|c| matches!(c, '/' | '+' | '#') || c.is_control())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics_are_as_the_specification_writes_them() {
        assert_eq!(
            of("rework", Kind::NBirth, "larkfield", None),
            "spBv1.0/rework/NBIRTH/larkfield"
        );
        assert_eq!(
            of("rework", Kind::DData, "larkfield", Some("bench-1")),
            "spBv1.0/rework/DDATA/larkfield/bench-1"
        );
        assert_eq!(state("line-host"), "spBv1.0/STATE/line-host");
        for (kind, text) in [
            (Kind::NData, "NDATA"),
            (Kind::NDeath, "NDEATH"),
            (Kind::NCmd, "NCMD"),
            (Kind::DBirth, "DBIRTH"),
            (Kind::DDeath, "DDEATH"),
            (Kind::DCmd, "DCMD"),
        ] {
            assert_eq!(kind.text(), text);
        }
    }

    #[test]
    fn what_separates_topics_is_not_part_of_a_name() {
        for (id, odd) in [
            ("a/b", '/'),
            ("a+", '+'),
            ("#", '#'),
            ("a\0", '\0'),
            ("a\nb", '\n'),
        ] {
            assert_eq!(forbidden(id), Some(odd));
        }
        assert_eq!(forbidden("Nacharbeit Süd 2"), None);
    }
}
