"""A small invented plant with turnarounds to come, as files."""

from tests.service.test_run_forecast import FILES, of_valves

TURNAROUND_FILES: dict[str, list[str]] = {
    **FILES,
    "kits.csv": [
        "code,renews,unit_cost,priced_on,lead_time_days,lead_time_sd_days",
        "KP,packing,80.10,2026-01-15,30,6",
        "KT,packing|trim,990.25,2025-11-01,200,20",
        "KG,gasket,12.50,2025-12-01,20,4",
    ],
    "design_kits.csv": [
        "design,maintainable_item,kit,qty,on_opening",
        "GLOBE-2,packing,KP,2,",
        "GLOBE-2,trim,KT,1,",
        "GLOBE-2,gasket,KG,1,true",
    ],
    "policies.csv": [
        "service_class,maintainable_item,policy,interval_days",
        "wet,packing,predetermined,1200",
        "dry,trim,opportunistic,2000",
    ],
    "rebuild_costs.csv": [
        "design,maintainable_item,planned_hours,planned_cost,unplanned_cost,opening_hours",
        "GLOBE-2,packing,5,400,6000,2",
        "GLOBE-2,trim,16,1500,25000,6",
    ],
    "valves.csv": [
        "tag,design,service_class,area,installed_on,consequence,last_renewed_on,safety_related,isolable_on_run,"
        "proof_test_due_on",
        "FV-1,GLOBE-2,wet,U100,2014-05-01,curtails,,,false,",
        "FV-2,GLOBE-2,wet,U100,2015-02-01,curtails,,,false,",
        "FV-3,GLOBE-2,wet,U100,,tolerable,packing:2012-01-01,,false,",
        "FV-4,GLOBE-2,dry,U100,2010-01-01,stops,,,false,",
        "FV-5,ANGLE-1,dry,U100,2016-01-01,,,,,",
        "FV-6,GLOBE-2,wet,U100,2018-01-01,tolerable,,,true,",
        "FV-7,GLOBE-2,dry,U100,2020-01-01,curtails,,true,false,2027-02-01",
        "FV-8,GLOBE-2,wet,U100,2019-01-01,curtails,,,false,",
        "FV-9,GLOBE-2,wet,U200,2019-01-01,curtails,,,false,",
    ],
    "events.csv": [
        "tag,done_on,action,reason,renewed,as_found",
        "FV-1,2016-01-10,rebuild,failure,packing,packing:failed",
        "FV-1,2017-02-03,rebuild,failure,packing|trim,trim:failed|packing:ok",
        "FV-1,2020-07-15,rebuild,failure,packing,packing:failed|trim:ok",
        "FV-1,2023-01-20,rebuild,failure,packing,packing:failed|trim:ok",
        "FV-2,2017-05-05,rebuild,failure,packing|trim,packing:failed|trim:worn",
        "FV-2,2019-09-09,rebuild,failure,packing,packing:failed",
        "FV-2,2022-11-30,rebuild,failure,trim,trim:failed",
        "FV-2,2025-04-01,rebuild,failure,packing,packing:failed",
        "FV-3,2019-01-01,rebuild,planned,packing,packing:ok",
        "FV-4,2015-03-03,rebuild,failure,trim,trim:failed",
        "FV-4,2019-12-24,rebuild,failure,trim,trim:failed",
        "FV-6,2021-05-01,rebuild,failure,trim|packing,trim:failed|packing:worn",
        "FV-8,2022-05-01,rebuild,failure,packing,packing:failed|trim:ok",
        "FV-9,2022-05-01,rebuild,failure,trim,trim:failed",
    ],
    "stock.csv": ["storeroom,kit,on_hand", "MAIN,KP,3", "MAIN,KT,2"],
    "stock_settings.csv": ["storeroom,kit,rule,target", "MAIN,KP,cycle_service_level,0.5"],
    "orders.csv": ["ref,line,storeroom,kit,ordered_on,due_on,qty", "PO-1,1,MAIN,KT,2026-01-10,2026-05-01,1"],
    "turnarounds.csv": [
        "code,name,starts_on,ends_on,areas,scope_freeze_on",
        "TA-24,the last one,2024-09-01,2024-09-20,U100,",
        "TA-26,this year's,2026-09-07,2026-09-27,U100,2026-05-01",
        "TA-28,the next one,2028-01-03,2028-01-20,U100,",
        "TA-26-E,nothing in it,2026-10-01,2026-10-10,U900,",
        "TA-40,far off,2040-01-03,2040-01-20,U100,",
        "TA-X,undated,,,U100,",
    ],
    "scope_lines.csv": [
        "turnaround,tag,decision,reason,decided_by",
        "TA-26,FV-8,must_open,passes when shut,unit process engineering",
        "TA-26,FV-2,must_not_open,to be replaced,turnaround planning",
    ],
}
"""FV-3's trim and FV-5 have no known start; FV-5 has no costs; U900 has no valve."""


WET_FILES = of_valves(
    TURNAROUND_FILES
    | {
        "stock.csv": ["storeroom,kit,on_hand", "MAIN,KP,3", "MAIN,KT,1"],
        "stock_settings.csv": ["storeroom,kit,rule,target,floor_qty", "MAIN,KT,cycle_service_level,0.5,3"],
    },
    *("FV-1", "FV-2", "FV-3", "FV-6", "FV-8"),
    without=("GLOBE-2,gasket", "TA-26-E", "TA-40", "TA-X"),
)
"""Valves of one class: quick to forecast night after night."""
