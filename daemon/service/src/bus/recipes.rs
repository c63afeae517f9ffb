//! `io.benchward.Recipes1` at `/io/benchward/Lab1/recipes`.

use benchward_api::{Error, shapes};
use benchward_archive::Document;
use benchward_core::Ask;
use benchward_core::recipe::Recipe;
use zbus::message::Header;

use super::documents::stored;
use super::{Door, archive_error, blocking, json};

pub(super) struct Recipes(pub(super) Door);

#[zbus::interface(name = "io.benchward.Recipes1")]
impl Recipes {
    /// The newest revision of every recipe, as JSON (`shapes::Recipes`). Needs no role.
    async fn list(&self) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let recipes = reader.recipes().map_err(archive_error)?;
            json(&shapes::Recipes {
                schema: shapes::SCHEMA,
                recipes: recipes.iter().map(shapes::RecipeRow::from).collect(),
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
            let stored = stored(&reader, (Document::Recipe, "recipe"), &recipe, revision)?;
            json(&shapes::RecipeShown::from(stored))
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
