"""A simulated shop for demo, tests and recorded days: North Pier Optics, which exists only here.

Two machining centres whose physics is believable and whose figures are our own. Everything follows
from a seed, a start and a recipe: the same three give the same readings, to the byte.
"""

from condmon.plant.readings import Reading
from condmon.plant.recipe import Fault, Recipe, load_recipe
from condmon.plant.shop import Plant
from condmon.plant.signals import configuration

__all__ = ["Fault", "Plant", "Reading", "Recipe", "configuration", "load_recipe"]
