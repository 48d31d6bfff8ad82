//! What a stream must offer so that it is opened again and again.

use tokio::io::AsyncRead;

use crate::link::gauge::Gauge;
use hereabout_core::LinkReason;

/// A stream that can fall away and be opened again.
pub(crate) trait Line {
    /// Where the bytes come from, in order.
    type Stream: AsyncRead + Unpin + Send;
    /// Opens it, or says why not. Dropped when the run ends meanwhile.
    fn open(&self) -> impl Future<Output = Result<Opened<Self::Stream>, LinkReason>> + Send;
    /// Why it is gone: it ended (`None`), or reading failed.
    fn lost(&self, error: Option<std::io::Error>) -> LinkReason;
}

/// A line that is open.
pub(crate) struct Opened<S> {
    /// Where the bytes come from, in order.
    pub(crate) stream: S,
    /// Of the same input.
    pub(crate) gauge: Gauge,
    /// The latency timer of a USB serial adapter.
    pub(crate) latency_ms: Option<u32>,
}
