//! Arrows.

/// An arrow from a place of the drawing by a step, with its head; empty for a step of next to nothing.
pub fn arrow_path(x: f64, y: f64, dx: f64, dy: f64) -> String {
    let len = (dx * dx + dy * dy).sqrt();
    if len < 0.5 {
        return String::new();
    }
    let (ux, uy) = (dx / len, dy / len);
    let head = len.min(8.0);
    let (tx, ty) = (x + dx, y + dy);
    let (bx, by) = (tx - head * ux, ty - head * uy);
    let w = 0.45 * head;
    format!(
        "<path d=\"M{x:.1} {y:.1}L{bx:.1} {by:.1}\" stroke=\"#b3261e\" stroke-width=\"2\"/>\
         <path d=\"M{tx:.1} {ty:.1}L{:.1} {:.1}L{:.1} {:.1}z\" fill=\"#b3261e\"/>\n",
        bx - w * uy,
        by + w * ux,
        bx + w * uy,
        by - w * ux
    )
}
