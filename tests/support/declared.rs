//! The model file that goes with an invented aircraft.

use hingewise::model_file::{
    AirframeTag, Joins, MatchGroup, MatchMotion, ModelFile, Radio, StationSource, Stations,
    Surface, Target,
};

use super::aircraft::Aircraft;
use super::filming::{Filming, StickPlan};

/// The model file that goes with the aircraft.
pub(super) fn declare(aircraft: &Aircraft, filming: &Filming) -> ModelFile {
    let names: Vec<String> = aircraft.surfaces.iter().map(|s| s.name.clone()).collect();
    let matches = match names.split_first() {
        Some((reference, followers)) if !followers.is_empty() => vec![MatchGroup {
            reference: reference.clone(),
            followers: followers.to_vec(),
            motion: MatchMotion::Same,
            tolerance_deg: 0.3,
            target: Target::Reference,
            compare: Default::default(),
            down_to_up: None,
        }],
        _ => vec![],
    };
    let order = match &filming.stick {
        StickPlan::Holds { stations_pct, .. } => stations_pct.clone(),
        StickPlan::Sweep { .. } | StickPlan::Path { .. } => vec![],
    };
    ModelFile {
        path: "synthetic.toml".into(),
        name: aircraft.name.clone(),
        airframe_tags: aircraft
            .airframe_tags
            .iter()
            .map(|tag| AirframeTag {
                id: tag.id,
                edge_mm: tag.edge_mm,
            })
            .collect(),
        surfaces: aircraft
            .surfaces
            .iter()
            .map(|surface| Surface {
                name: surface.name.clone(),
                side: surface.side,
                tag_id: surface.tag.id,
                edge_mm: surface.tag.edge_mm,
                chord_mm: Some(surface.chord_mm),
                hinge_to_tag_mm: None,
                upright: surface.upright,
            })
            .collect(),
        matches,
        stations: Stations {
            source: StationSource::Order(order),
            neutral_time_s: None,
            level_time_s: None,
        },
        functions: vec![],
        radio: Some(Radio {
            curve_points_pct: Some((-4..=4).map(|step| f64::from(step) * 25.0).collect()),
            step_pct: 1.0,
            limit_pct: 150.0,
            joins: Joins::Straight,
            ..Radio::default()
        }),
    }
}
