"""Reader 1: numpy.loadtxt."""
import numpy
from decode import run


def read(path):
    table = numpy.loadtxt(path, delimiter=",", skiprows=1, usecols=(0, 1, 2))
    return table[:, 0], table[:, 1], table[:, 2]


run(read)
