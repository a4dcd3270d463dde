#include "report.h"
int report_next(const struct request *request) { (void)request; return 1; }
int report_verdicts(const struct request *request) { (void)request; return 1; }
