/* poised: see poised.8. */
#include <stdio.h>

int main(void)
{
    puts("poised");
    return 0;
}
