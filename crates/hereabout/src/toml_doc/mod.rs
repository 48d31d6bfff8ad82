//! A TOML file as people see it: whatever is wrong in it is reported with file, line, column, key, what
//! was expected and what was probably meant.
//!
//! The parsed tree keeps the place of every key and value. Unknown keys are found by walking it
//! against a [`Schema`], all at once; wrong types and missing keys come from serde with the path of
//! the value; what only the program can judge (an anchor 2400 m up) is placed by its path.

mod document;
mod parser_words;
mod path;
mod problem;
mod schema;
mod value_text;

pub use document::{Document, Tree};
pub(crate) use parser_words::parser_words;
pub(crate) use path::key;
pub use path::{Step, path_text};
pub use problem::{Level, Problem};
pub use schema::Schema;
pub use value_text::{number_text, quoted};
