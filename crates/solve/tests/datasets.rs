//! The tracker on data sets with ground truth, when they are there. Limits are the figures reached plus
//! a few per cent, and a lower side that only a mistake in the grading could pass.

#[path = "../examples/datasets/dataset.rs"]
mod dataset;

#[test]
fn one_tuning_serves_every_data_set() {
    let base = dataset::folder();
    for (set, rmse, ce95, most) in [
        ("room_moving", 0.063, 0.105, 0.15),
        ("small_square", 0.138, 0.25, 0.45),
        ("yard_los", 0.42, 0.88, 1.75),
        ("yard_nlos", 0.32, 0.70, 1.25),
    ] {
        let Some(o) = dataset::evaluate(&base, set) else {
            println!("{set}: skipped, no such data set under {}", base.display());
            continue;
        };
        println!(
            "{set}: RMSE {:.3} CE95 {:.3} largest {:.3} m, ellipse {:.3}, delayed {:.3} m",
            o.rmse_m, o.ce95_m, o.most_m, o.held, o.delayed_rmse_m
        );
        assert!(o.rmse_m < rmse && o.rmse_m > 0.4 * rmse, "{set}: RMSE {}", o.rmse_m);
        assert!(o.ce95_m < ce95 && o.most_m < most, "{set}: CE95 {} largest {}", o.ce95_m, o.most_m);
        assert!((0.90..=0.99).contains(&o.held), "{set}: ellipse {}", o.held);
        assert!(o.share > 0.95 && o.flips == 0, "{set}: share {} flips {}", o.share, o.flips);
        assert!(o.delayed_rmse_m < o.rmse_m, "{set}: delayed {}", o.delayed_rmse_m);
    }
}
