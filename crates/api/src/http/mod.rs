//! What every request meets: who may connect ([`seats`]), ask ([`guard`]) and change ([`rights`]), how an error is said
//! ([`problem`]), and the limits of all that ([`settings`]).

pub(crate) mod guard;
pub(crate) mod problem;
pub(crate) mod rights;
pub(crate) mod seats;
pub(crate) mod settings;
