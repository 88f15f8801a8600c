"""What the elastic and graphite parts of some kits are made of, and how long that keeps: all of it made up."""

_RULE = ("2", "Quillmoor Works storage rule SR-8")  # edition and source
MATERIALS = (  # code, name, storage_life_days, edition, source
    ("RUBBER-N", "nitrile rubber", 2190, *_RULE),
    ("RUBBER-F", "fluorocarbon rubber", 5475, *_RULE),
    ("FLUOROPLASTIC", "fluoroplastic", "unlimited", *_RULE),
    ("GRAPHITE", "flexible graphite", "unlimited", *_RULE),
    ("ARAMID", "braided aramid yarn", None, "", ""),
)
PARTS = (  # code, name, material, unit_cost, priced_on, shelf_life_days
    ("Q-P-11", "packing ring, braided, small stem", "ARAMID", "9.80", None, None),
    ("Q-P-12", "packing ring, braided, medium stem", "ARAMID", "12.40", None, None),
    ("Q-P-21", "V ring set, medium stem", "FLUOROPLASTIC", "84.00", None, None),
    ("Q-P-31", "graphite ring", "GRAPHITE", "27.50", None, None),
    ("Q-P-41", "wiper ring", "RUBBER-F", "18.20", None, None),
    ("Q-P-51", "diaphragm, size 1", "RUBBER-N", "96.00", None, None),
    ("Q-P-52", "diaphragm, size 2", "RUBBER-N", "118.00", None, 2922),
    ("Q-P-61", "stem seal", "RUBBER-N", "6.10", None, None),
)
KIT_PARTS = (  # kit, part, qty
    ("Q-PAC-102", "Q-P-11", 5),
    ("Q-PAC-103", "Q-P-12", 5),
    ("Q-PAC-106", "Q-P-21", 1),
    ("Q-PAC-106", "Q-P-41", 1),
    ("Q-PAC-108", "Q-P-31", 6),
    ("Q-ACT-301", "Q-P-51", 1),
    ("Q-ACT-301", "Q-P-61", 2),
    ("Q-ACT-302", "Q-P-52", 1),
    ("Q-ACT-302", "Q-P-61", 2),
)
