//! `io.benchward.Recipes1` at `/io/benchward/Lab1/recipes`.

use benchward_api::{Error, shapes};
use benchward_core::Ask;
use benchward_core::recipe::Recipe;
use benchward_core::units::Celsius;
use zbus::message::Header;

use super::{Door, blocking, json};

pub(super) struct Recipes(pub(super) Door);

fn archive_error(error: impl std::fmt::Display) -> Error {
    Error::Archive(error.to_string())
}

#[zbus::interface(name = "io.benchward.Recipes1")]
impl Recipes {
    /// The newest revision of every recipe, as JSON (`shapes::Recipes`). Needs no role.
    async fn list(&self) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let recipes = reader.recipes().map_err(archive_error)?;
            let rows = recipes.iter().map(|stored| {
                let recipe = Recipe::parse(&stored.name, &stored.text).ok();
                shapes::RecipeRow {
                    recipe: stored.name.clone(),
                    revision: stored.revision,
                    stages: recipe.as_ref().map_or(0, |recipe| recipe.stages.len()),
                    highest_celsius: recipe
                        .as_ref()
                        .map_or(0.0, |recipe| recipe.highest_target().degrees()),
                    ceiling_celsius: recipe.and_then(|recipe| recipe.ceiling).map(Celsius::degrees),
                }
            });
            json(&shapes::Recipes {
                schema: shapes::SCHEMA,
                recipes: rows.collect(),
            })
        })
        .await
    }

    /// One recipe, as JSON (`shapes::RecipeShown`). `revision`: 0 for the newest. Needs no role.
    ///
    /// Errors: `NoSuch`.
    async fn show(&self, recipe: String, revision: u32) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let wanted = (revision != 0).then_some(revision);
            let stored = reader
                .recipe(&recipe, wanted)
                .map_err(archive_error)?
                .ok_or_else(|| {
                    Error::NoSuch(match wanted {
                        None => format!("there is no recipe \"{recipe}\"; see `benchward recipe list`"),
                        Some(revision) => format!("there is no revision {revision} of recipe \"{recipe}\""),
                    })
                })?;
            json(&shapes::RecipeShown {
                schema: shapes::SCHEMA,
                recipe: stored.name,
                revision: stored.revision,
                text: stored.text,
            })
        })
        .await
    }

    /// Stores a recipe under the name in its text. The same text again is the same revision. Returns the revision.
    /// Role `process`.
    ///
    /// Errors: `NotPermitted`, `Invalid` (with every mistake of the text), `Archive`.
    async fn put(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        text: String,
    ) -> Result<u32, Error> {
        let recipe =
            Recipe::parse("recipe", &text).map_err(|mistakes| Error::Invalid(mistakes.to_string()))?;
        self.0
            .ask(
                connection,
                &header,
                Ask::PutRecipe {
                    recipe: recipe.name.as_str().into(),
                },
            )
            .await?;
        self.0
            .shared
            .keep
            .recipe(recipe.name, text)
            .await
            .map_err(Error::Archive)
    }
}
