"""What poise-virtual is reported to do, where several tests brew alike."""


def filled(coffee_s, pour_s):
    """The brewer is put down, 15 g of coffee and 230 g of water come, each from a scale at zero."""
    return f"""do = put brewer
do = wait 3
do = tare
do = wait 3
do = coffee 15 g in {coffee_s} s
do = wait 4
do = tare
do = wait 4
do = pour 230 g in {pour_s} s
"""
