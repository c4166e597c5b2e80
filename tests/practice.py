"""One process of the practice bench of `conftest.py`, at which tests hold what they do not vary."""

BASE = {
    "sand_grit": "P1500",
    "cut_pad": "wool",
    "cut_product": "compound A",
    "cut_passes": 6,
    "polish_passes": 4,
}
