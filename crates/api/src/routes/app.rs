//! What every route works with, and how one hands work to whoever runs the site.

use std::sync::Arc;

use axum::{extract::FromRequestParts, http::request::Parts};
use hereabout_core::Micros;
use tokio::sync::oneshot;
use tokio_util::{sync::CancellationToken, task::TaskTracker};

use crate::{
    current::{Moment, readiness::not_ready},
    http::{
        rights::{MayChange, Refusal, Way},
        settings::{ApiSettings, NotDone, Operation, Work},
    },
    stream::hub::Hub,
    v1::{Problem, Sending},
};

/// What the routes work with.
#[derive(Clone)]
pub(crate) struct App {
    pub(crate) hub: Hub,
    pub(crate) settings: Arc<ApiSettings>,
    pub(crate) shutdown: CancellationToken,
    pub(crate) tracker: TaskTracker,
}

impl App {
    /// All that the hub keeps, at the present.
    pub(super) fn moment(&self) -> Moment {
        self.hub.moment(&*self.settings.now)
    }

    /// The same present, for what leaves now.
    pub(super) fn sending(&self, moment: &Moment) -> Sending {
        Sending { now: moment.clock, since_start: (self.settings.since_start)() }
    }

    /// Has the operator do it; only who may change gets here. The outcome, or why it never began.
    pub(super) async fn operate(
        &self,
        may_change: MayChange,
        work: Work,
    ) -> Result<Result<(), NotDone>, Refusal> {
        let operator = self.settings.operator.clone().ok_or_else(Problem::no_operator)?;
        may_change.begin()?;
        let (answer, answered) = oneshot::channel();
        let operation = Operation { work, answer };
        operator.send(operation).await.map_err(|_| Problem::no_operator())?;
        Ok(answered.await.map_err(|_| Problem::no_operator())?)
    }

    /// Why no positions are to be expected just now; `None` when they are.
    pub(super) fn not_ready(&self, moment: &Moment) -> Option<String> {
        let grace = i64::try_from(self.settings.link_grace.as_micros()).unwrap_or(i64::MAX);
        not_ready(&moment.current(), &self.hub.info().source, Micros::from_micros(grace))
    }
}

impl FromRequestParts<App> for MayChange {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<MayChange, Refusal> {
        let way = parts.extensions.get().copied().unwrap_or(Way::Loopback);
        app.settings.rights.clone().may_change(way, &parts.headers).await
    }
}
