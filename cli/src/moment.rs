//! Times as people type them.

use benchward_archive::Wall;

/// Reads `2026-11-25` (midnight UTC, when that day begins) or an RFC 3339 time.
pub(crate) fn parse(text: &str) -> Result<Wall, String> {
    let whole = if text.len() == 10 {
        format!("{text}T00:00:00Z")
    } else {
        text.to_owned()
    };
    whole
        .parse()
        .map_err(|_| format!("`{text}` is no time; write 2026-11-25 (UTC) or 2026-11-25T13:46:33Z"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_begins_at_midnight_utc() {
        // `date -u -d 2026-11-25 +%s` prints 1795564800.
        assert_eq!(parse("2026-11-25"), Ok(Wall(1_795_564_800_000)));
        assert_eq!(parse("2026-11-25T01:00:00+01:00"), Ok(Wall(1_795_564_800_000)));
        assert!(parse("yesterday").unwrap_err().contains("2026-11-25"));
        assert!(parse("2026-13-45").is_err());
    }
}
