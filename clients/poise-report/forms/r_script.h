/* The report as a folder for R: cups, numbers, and the script that works the ones out of the others. */
#ifndef POISE_REPORT_R_SCRIPT_H
#define POISE_REPORT_R_SCRIPT_H

#include "findings/findings.h"

/* Writes cups.csv, numbers.csv and report.R into the folder, which is made where it is missing; an exit status. */
int r_write(const struct findings *findings, const char *folder);

#endif
