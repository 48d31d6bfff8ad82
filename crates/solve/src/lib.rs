//! Position from ranges: weighted least squares, outlier gate, covariance and dilution of precision.
