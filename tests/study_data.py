"""Published data sets that the statistics tests are checked against, typed from their sources."""

import numpy as np


def _rows(text):
    return [np.array([float(cell) for cell in row.split()]) for row in text.split("/")]


# Plant weights; R data set PlantGrowth (Dobson 1983, Introduction to Statistical Modelling).
PLANT_GROWTH = _rows(
    "4.17 5.58 5.18 6.11 4.50 4.61 5.17 4.53 5.33 5.14 /"
    "4.81 4.17 4.41 3.59 5.87 3.83 6.03 4.89 4.32 4.69 /"
    "6.31 5.12 5.54 5.50 5.37 5.29 4.92 6.15 5.80 5.26")
# Yield of dyestuff; Davies (1947), Statistical Methods in Research and Production.
DYESTUFF = _rows(
    "1545 1440 1440 1520 1580 / 1540 1555 1490 1560 1495 / 1595 1550 1605 1510 1560 /"
    "1445 1440 1595 1465 1545 / 1595 1630 1515 1635 1625 / 1520 1455 1450 1480 1445")
# Travel time in rails; Devore (2000), in Pinheiro & Bates (2000).
RAIL = _rows("55 53 54 / 26 37 32 / 78 91 85 / 92 100 96 / 49 51 50 / 80 85 83")
# Effort to rise from four stools, nine subjects; Pinheiro & Bates (2000).
ERGO_STOOL = _rows(
    "12 15 12 10 / 10 14 13 12 / 7 14 13 9 / 7 11 10 9 / 8 11 8 7 / 9 11 11 10 /"
    "8 12 12 11 / 7 11 8 7 / 9 13 10 8")
# NIST/SEMATECH e-Handbook 7.4.3.3.
HANDBOOK_ONE_WAY = _rows(
    "6.9 5.4 5.8 4.6 4.0 / 8.3 6.8 7.8 9.2 6.5 / 8.0 10.5 8.1 6.9 9.3")
# NIST/SEMATECH e-Handbook 5.4.7.1 (eddy-current probe), data from memory, X1 fastest.
EDDY_CURRENT = np.array([1.70, 4.57, 0.55, 3.39, 1.51, 4.59, 0.67, 4.29])
# NIST/SEMATECH e-Handbook 5.4.7.2 (deposition), data from memory:
# pressure, gas ratio, uniformity, stress.
DEPOSITION = np.array(_rows(
    "80 6 4.6 8.04/42 6 6.2 7.78/68.87 3.17 3.4 7.58/15.13 8.83 6.9 7.27/4 6 7.3 6.49/"
    "42 6 6.4 7.69/15.13 3.17 8.6 6.66/42 2 6.3 7.16/68.87 8.83 5.1 8.33/42 10 5.4 8.19/"
    "42 6 5.0 7.90"))
# Gasoline yield: Prater (1956), batch -> temperature/yield in percent.
GASOLINE = """1: 205/12.2 275/22.3 345/34.7 407/45.7; 2: 218/8.0 273/13.1 347/26.6;
3: 212/7.4 272/18.2 340/30.4; 4: 235/6.9 300/15.2 365/26.0 410/33.6;
5: 307/14.4 367/26.8 395/34.9; 6: 267/10.0 360/24.8 402/31.7;
7: 235/2.8 275/6.4 358/16.1 416/27.8; 8: 285/5.0 365/17.6 444/32.1; 9: 351/14.0 424/23.2;
10: 365/8.5 379/14.7 428/18.0"""
# Peak flow, l/min, 17 subjects; Lancet 1986;i:307-310: large meter twice, mini meter twice.
PEAK_FLOW = np.array(_rows(
    "494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427/"
    "490 397 512 401 470 611 415 431 638 429 420 633 275 492 165 372 421/"
    "512 430 520 428 500 600 364 380 658 445 432 626 260 477 259 350 451/"
    "525 415 508 444 500 625 460 390 642 432 420 605 227 467 268 370 443"))
# Six targets, four judges; Psychol Bull 1979;86:420-428.
JUDGES = np.array(_rows("9 2 5 8/6 1 3 2/8 4 6 8/7 1 2 6/10 5 6 9/6 2 4 7"))
# Ten parts, three operators, three trials; Measurement Systems Analysis, 4th ed.
GAUGE = np.array(_rows(
    ".29 .41 .64 .08 .25 .07 .04 -.11 -.15/-.56 -.68 -.58 -.47 -1.22 -.68 -1.38 -1.13 -.96/"
    "1.34 1.17 1.27 1.19 .94 1.34 .88 1.09 .67/.47 .50 .64 .01 1.03 .20 .14 .20 .11/"
    "-.80 -.92 -.84 -.56 -1.20 -1.28 -1.46 -1.07 -1.45/.02 -.11 -.21 -.20 .22 .06 -.29 -.67 -.49/"
    ".59 .75 .66 .47 .55 .83 .02 .01 .21/-.31 -.20 -.17 -.63 .08 -.34 -.46 -.56 -.49/"
    "2.26 1.99 2.01 1.80 2.12 2.19 1.77 1.45 1.87/"
    "-1.36 -1.25 -1.31 -1.68 -1.62 -1.50 -1.49 -1.77 -2.16")).reshape(10, 3, 3)
# Ten parts, three operators, three trials, thermal performance; public worked example.
THERMAL = np.array(_rows(
    "37 38 37 41 41 40 41 42 41/42 41 43 42 42 42 43 42 43/30 31 31 31 31 31 29 30 28/"
    "42 43 42 43 43 43 42 42 42/28 30 29 29 30 29 31 29 29/42 42 43 45 45 45 44 46 45/"
    "25 26 27 28 28 30 29 27 27/40 40 40 43 42 42 43 43 41/25 25 25 27 29 28 26 26 26/"
    "35 34 34 35 35 34 35 34 35")).reshape(10, 3, 3)


def gasoline():
    """Yield as a fraction and the design: constant, batches 1-9 against 10, temperature."""
    batch, temperature, share = [], [], []
    for part in GASOLINE.split(";"):
        name, cells = part.split(":")
        for cell in cells.split():
            degrees, percent = cell.split("/")
            batch.append(int(name))
            temperature.append(float(degrees))
            share.append(float(percent) / 100)
    batch = np.array(batch)
    X = np.column_stack([np.ones(batch.size), *[batch == k for k in range(1, 10)], temperature])
    return np.array(share), X.astype(float)
