//! What is wrong with a command line, in words of our own: the parser has sentences and type names of its own.

use std::error::Error as _;

use clap::error::{ContextKind, ContextValue, ErrorKind};

/// What is wrong and what is meant, with the usage of the command; `None` where help or the version was asked for.
pub fn usage_words(error: &clap::Error) -> Option<String> {
    let of = |kind| error.get(kind).map(text).unwrap_or_default();
    let (arg, value) = (of(ContextKind::InvalidArg), of(ContextKind::InvalidValue));
    let what = match error.kind() {
        ErrorKind::ValueValidation => format!("{arg}: \"{value}\" {}", wrong_value(error)),
        ErrorKind::InvalidValue if value.is_empty() => format!("{arg} needs a value"),
        ErrorKind::InvalidValue => {
            format!("{arg}: \"{value}\" is not one of {}", of(ContextKind::ValidValue))
        }
        ErrorKind::UnknownArgument => {
            format!("there is no {arg} here{}", meant(&of(ContextKind::SuggestedArg)))
        }
        ErrorKind::InvalidSubcommand => {
            let name = of(ContextKind::InvalidSubcommand);
            format!("there is no command {name}{}", meant(&of(ContextKind::SuggestedSubcommand)))
        }
        ErrorKind::MissingRequiredArgument => format!("missing: {arg}"),
        ErrorKind::ArgumentConflict => match of(ContextKind::PriorArg) {
            prior if prior == arg || prior.is_empty() => format!("{arg} is given more than once"),
            prior => format!("{arg} cannot be used with {prior}"),
        },
        ErrorKind::InvalidUtf8 => "an argument is not UTF-8 text".to_owned(),
        ErrorKind::TooManyValues | ErrorKind::TooFewValues | ErrorKind::WrongNumberOfValues => {
            format!("{arg} has the wrong number of values")
        }
        ErrorKind::NoEquals => format!("{arg} needs its value behind an equals sign"),
        _ => return None,
    };
    let usage = of(ContextKind::Usage);
    let usage = if usage.is_empty() { String::new() } else { format!("\n  {}", usage.trim()) };
    Some(format!("{what}{usage}\n  --help says more"))
}

/// Why a value was not understood, by what refused it.
fn wrong_value(error: &clap::Error) -> String {
    let Some(source) = error.source() else { return "is not understood".to_owned() };
    if source.is::<std::num::ParseFloatError>() {
        "is not a number; expected one like 2.5, with a point and without a unit".to_owned()
    } else if source.is::<std::num::ParseIntError>() {
        "is not a whole number in the span that is allowed; expected one like 12".to_owned()
    } else if source.is::<humantime::DurationError>() {
        "is not a time; expected a number with its unit, like 100ms, 5s or 2min".to_owned()
    } else if source.is::<std::net::AddrParseError>() {
        "is not an address with a port; expected one like 127.0.0.1:6208".to_owned()
    } else {
        format!("is refused: {source}")
    }
}

fn meant(suggestion: &str) -> String {
    if suggestion.is_empty() { String::new() } else { format!("; did you mean {suggestion}?") }
}

fn text(value: &ContextValue) -> String {
    match value {
        ContextValue::String(one) => one.clone(),
        ContextValue::Strings(many) => many.join(", "),
        ContextValue::StyledStr(one) => one.to_string(),
        ContextValue::StyledStrs(many) => many.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "),
        ContextValue::Bool(one) => one.to_string(),
        ContextValue::Number(one) => one.to_string(),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests;
