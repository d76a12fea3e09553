from tests.benchmarks import recall


def test_a_small_one_finds_the_same_in_both_ways() -> None:
    figures = recall.measure(1_200).figures
    assert figures["equal_to_the_export"] is True
    assert figures["samples_found"] == [500, 500, 500, 1_200]
