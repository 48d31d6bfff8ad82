//! Values as TOML writes them.

/// Text as TOML writes it, quotes included.
pub fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A number as TOML writes it.
pub fn number_text(number: f64) -> String {
    if number.is_nan() { "nan".to_owned() } else { format!("{number}") }
}
