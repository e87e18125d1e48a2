"""How liquid moves through a chip: ducts, liquids, cavities and hydraulics."""
