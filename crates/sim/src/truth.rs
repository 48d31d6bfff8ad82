//! Truth tables: `time_s,x_m,y_m,z_m`, with a `tag` column when there are several.

use std::io::{self, Write};

use crate::SimEpoch;

/// Writes the header row.
///
/// # Errors
/// Those of `out`.
pub fn write_truth_header(out: &mut impl Write, with_tag: bool) -> io::Result<()> {
    writeln!(out, "time_s,x_m,y_m,z_m{}", if with_tag { ",tag" } else { "" })
}

/// Writes where the tag of an epoch is: Unix seconds to the microsecond, metres to a tenth of a millimetre.
///
/// # Errors
/// Those of `out`.
pub fn write_truth_row(out: &mut impl Write, epoch: &SimEpoch, with_tag: bool) -> io::Result<()> {
    let [x, y, z] = epoch.truth_m;
    write!(out, "{},{x:.4},{y:.4},{z:.4}", epoch.at)?;
    if with_tag {
        write!(out, ",{}", epoch.tag)?;
    }
    writeln!(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use hereabout_core::{TagId, Timestamp};

    #[test]
    fn rows_are_unix_seconds_and_metres() {
        let epoch = SimEpoch {
            at: Timestamp::from_micros(1_777_885_200_100_000),
            at_s: 0.1,
            tag: TagId(3),
            truth_m: [1.0, 2.123_46, -0.5],
            velocity_mps: [0.0; 3],
            ranges: Default::default(),
        };
        let mut out = Vec::new();
        write_truth_header(&mut out, false).unwrap();
        write_truth_row(&mut out, &epoch, false).unwrap();
        write_truth_header(&mut out, true).unwrap();
        write_truth_row(&mut out, &epoch, true).unwrap();
        let expected = "time_s,x_m,y_m,z_m\n1777885200.100000,1.0000,2.1235,-0.5000\n\
                        time_s,x_m,y_m,z_m,tag\n1777885200.100000,1.0000,2.1235,-0.5000,3\n";
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }
}
