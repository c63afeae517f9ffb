//! Texts that people write into files: read, checked with all mistakes at once, and stored in revisions. What recipes and windows have in common.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use benchward_api::{Exit, shapes};
use benchward_core::mistake::Mistakes;
use benchward_core::recipe::TEXT_BYTES_MAX;

use crate::Session;
use crate::failure::Failure;
use crate::screen::{Paint, Tone};

/// How a text is read: from its place, for messages, and itself.
type Parse<T> = fn(&str, &str) -> Result<T, Mistakes>;

/// Reads a file: what it says, and its text.
pub(crate) fn read<T>(file: &Path, parse: Parse<T>) -> Result<(T, String), Failure> {
    let place = file.display().to_string();
    let bytes = load(file)?;
    let mistaken = |mistakes: Mistakes| Failure::invalid(mistakes.to_string());
    let text = Mistakes::utf8(&place, &bytes).map_err(mistaken)?;
    let read = parse(&place, text).map_err(mistaken)?;
    Ok((read, text.to_owned()))
}

/// Checks a file, reads it aloud if it is good, and says how it is stored. `noun`: the command's name.
pub(crate) fn check<T>(
    session: &Session,
    noun: &str,
    file: &Path,
    parse: Parse<T>,
    describe: impl Fn(&T, Paint) -> String,
) -> Result<Exit, Failure> {
    let place = file.display().to_string();
    let bytes = load(file)?;
    match Mistakes::utf8(&place, &bytes).and_then(|text| parse(&place, text)) {
        Ok(read) => {
            session
                .screen
                .show(&checked(&place, None), |_, paint| describe(&read, paint))?;
            session.screen.next(&format!("benchward {noun} put {place}"));
            Ok(Exit::Done)
        }
        Err(mistakes) => wrong(session, &place, &mistakes),
    }
}

/// The bytes of a file, at most one more than a text may have: enough to be told that it is too long.
fn load(file: &Path) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    File::open(file)
        .and_then(|opened| opened.take(TEXT_BYTES_MAX as u64 + 1).read_to_end(&mut bytes))
        .map_err(|error| Failure::invalid(format!("can't read {}: {error}", file.display())))?;
    Ok(bytes)
}

/// Shows what is wrong with a file: as an object with `--json`, else on stderr, which is where errors belong.
pub(crate) fn wrong(session: &Session, place: &str, mistakes: &Mistakes) -> Result<Exit, Failure> {
    if session.screen.is_json() {
        session.screen.json(&checked(place, Some(mistakes)))?;
    }
    let how_many = mistakes.iter().count() + mistakes.more();
    let many = crate::figures::count(how_many, "mistake", "mistakes");
    session
        .screen
        .say(Tone::Danger, "error", &format!("{many} in {place}\n\n{mistakes}"));
    Ok(Exit::WrongUse)
}

/// The shape of a check.
pub(crate) fn checked(place: &str, mistakes: Option<&Mistakes>) -> shapes::Checked {
    shapes::Checked {
        schema: shapes::SCHEMA,
        ok: mistakes.is_none(),
        file: place.to_owned(),
        mistakes: mistakes
            .into_iter()
            .flatten()
            .map(|mistake| shapes::Mistake {
                line: mistake.line(),
                column: mistake.column(),
                text: mistake.text().into(),
                fix: mistake.fix().map(Into::into),
            })
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use benchward_core::recipe::Recipe;

    use super::*;

    #[test]
    fn mistakes_keep_their_place_in_json() {
        let mistakes = Recipe::parse(
            "x.toml",
            "recipe = \"AX-20\"\n[[stage]]\ntarget_celsius = 80\ndwell = 90\n",
        )
        .unwrap_err();
        let value = serde_json::to_value(checked("x.toml", Some(&mistakes))).unwrap();
        assert_eq!(
            (&value["schema"], &value["ok"], &value["file"]),
            (&1.into(), &false.into(), &"x.toml".into())
        );
        let lines: Vec<_> = value["mistakes"]
            .as_array()
            .unwrap()
            .iter()
            .map(|one| one["line"].clone())
            .collect();
        assert!(lines.contains(&4.into()), "{value}");
        assert_eq!(serde_json::to_value(checked("x.toml", None)).unwrap()["ok"], true);
    }

    #[test]
    fn a_file_that_isnt_there_is_wrong_use() {
        let failure = read(Path::new("/nowhere/x.toml"), Recipe::parse).unwrap_err();
        assert_eq!(failure.error(), "Invalid");
        let Failure::Told { text, .. } = failure else {
            panic!("nobody would be told")
        };
        assert!(text.contains("/nowhere/x.toml"), "{text}");
    }
}
