# SPDX-License-Identifier: Apache-2.0
"""evenlode numbering: the printed table against ITU-T G.707 (Table 7-1, the note in 7.3.13, the
column formulas of 7.3; the AU-3 columns by the published map of RFC 4842 11.2)."""
import blackbox as b

HEAD = '''\
bench: tables
title: Invented
adapters: {mux: {driver: simmux}}
roles:
  trib: {adapter: mux, channels: 'trib-{1..%d}'%s}
  line: {adapter: mux, channels: [line]}
'''


def bench(p, count, numbering, role=''):
    return p.write('n.yaml', HEAD % (count, role) + numbering)


def rows(p, path, *more):
    data = b.expect(p.run('numbering', '--bench', path, '--json', *more), 0).json()
    return data, {c['number']: c for c in data['roles'][0]['channels']}


def test_e1(p):
    data, by_number = rows(p, bench(p, 64, 'numbering: column-order\n'))
    role = data['roles'][0]
    assert (data['bench'], role['role'], role['driver']) == ('tables', 'trib', 'simmux')
    assert (role['unit'], role['route'], role['line']) == ('TU-12', 'AU-4', 'STM-1')
    assert len(data['roles']) == 1  # the line has no numbers
    for number, place, columns, klm in ((1, '1-1-1', [10, 73, 136, 199], 1),
                                        (2, '2-1-1', [11, 74, 137, 200], 22),
                                        (22, '1-1-2', [31, 94, 157, 220], 2),
                                        (42, '3-7-2', [51, 114, 177, 240], 62),
                                        (63, '3-7-3', [72, 135, 198, 261], 63)):
        c = by_number[number]
        assert (c['place'], c['columns']) == (place, columns), c
        assert (c['column_order'], c['klm_order']) == (number, klm), c
        assert c['label'] == 'trib %d (%s)' % (number, place)
        assert c['channel'] == 'trib-%d' % number
    assert by_number[64]['place'] is None and by_number[64]['label'] == 'trib 64'


def test_two_lines(p):
    path = p.write('two.yaml', '''\
bench: two
numbering: column-order
adapters: {mux: {driver: simmux}}
roles:
  trib: {adapter: mux, channels: 'trib-{1..126}', line: {1..63: line-1, 64..126: line-2}}
  line: {adapter: mux, channels: 'line-{1..2}', mapping: AU-4/TU-12/E1}
''')
    data, by_number = rows(p, path)
    assert [x['mapping'] for x in data['lines']] == ['AU-4/TU-12/E1'] * 2, data['lines']
    c = by_number[85]  # the 22nd of its line: 1-1-2 by G.707 Table 7-1
    assert (c['place'], c['line'], c['label']) == ('1-1-2', 'line-2', 'trib 85 (line-2 1-1-2)'), c
    b.expect(p.run('numbering', '--bench', path), 0,
             'line line-2 of mux (role line): mapping AU-4/TU-12/E1', 'trib 64 (line-2 1-1-1)')


def test_table_for_people(p):
    out = b.expect(p.run('numbering', '--bench', bench(p, 63, 'numbering: klm-order\n')), 0,
                   'bench tables: Invented', 'TU-12 in STM-1 by way of AU-4, klm-order').out
    lines = [line.split() for line in out.splitlines()]
    assert ['22', '2-1-1', '11,', '74,', '137,', '200', '2', '22', 'trib-22', 'trib', '22',
            '(2-1-1)'] in lines, out
    assert sum(line[:1] != [] and line[0].isdigit() for line in lines) == 63
    assert max(map(len, out.splitlines())) <= 100


def test_t1(p):
    path = bench(p, 84, 'numbering: klm-order\n')
    _, by_number = rows(p, path, '--unit', 'TU-11')
    for number, place, columns, column in ((29, '2-1-1', [11, 95, 179], 2),
                                           (43, '2-4-3', [62, 146, 230], 53),
                                           (81, '3-7-1', [30, 114, 198], 21)):
        c = by_number[number]
        assert (c['place'], c['columns'], c['column_order']) == (place, columns, column), c
    # The bench file wins over --unit.
    path = bench(p, 84, 'numbering: {order: klm-order, unit: TU-11, route: AU-3}\n')
    data, by_number = rows(p, path, '--unit', 'TU-12', '--role', 'trib')
    assert data['roles'][0]['unit'] == 'TU-11'
    assert by_number[1]['columns'] == [2, 31, 60]
    assert by_number[84]['columns'] == [29, 58, 87]


def test_stm4(p):
    path = bench(p, 252, 'numbering: {order: column-order, unit: TU-12, line: STM-4}\n')
    _, by_number = rows(p, path)
    assert by_number[64]['place'] == '2-1-1-1'
    assert by_number[252]['label'] == 'trib 252 (4-3-7-3)'
    b.expect(p.run('numbering', '--bench', path), 0, 'A-K-L-M')


def test_role_of_its_own(p):
    path = bench(p, 63, '', ', numbering: klm-order')
    assert rows(p, path)[1][2]['place'] == '1-1-2'


def test_nothing_to_print(p):
    path = bench(p, 63, '')
    b.expect(p.run('numbering', '--bench', path), 1, 'no role has numbers with places')
    assert p.run('numbering', '--bench', path, '--json').json()['roles'] == []
    path = bench(p, 63, 'numbering: klm-order\n')
    b.expect(p.run('numbering', '--bench', path, '--role', 'line'), 1, 'role line')


def test_refused(p):
    path = bench(p, 63, 'numbering: klm-order\n')
    b.refused(p.run('numbering', '--bench', path, '--role', 'tribs'), 3, 'n.yaml:4:', '"tribs"')
    b.refused(p.run('numbering', '--bench', path, '--unit', 'VC-12'), 64, '"VC-12"')
    b.refused(p.run('numbering', '--bench', bench(p, 63, 'numbering: klm\n')), 3, 'n.yaml:7:')
    b.refused(p.run('numbering', '--bench', p.path('none.yaml')), 3, 'none.yaml')


b.main()
